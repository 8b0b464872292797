"""Whether everybody who must lend a hand in a plan is there and free: part of its check."""

from __future__ import annotations

from typing import Any

from production.planning.solve.check.shared import CLOSE, Row, open_for, running_at


def enough_helpers(resources: Row, rows: list[Row]) -> list[str]:
    """Check that enough helpers are free and present, by counting heads at each start.

    Only what must hold for any assignment is checked: at no moment are more helpers of
    a kind held than answer to it, and each is held inside some helper's open time. What
    runs already may need more than there are (a mark forgotten): the rest of it goes on
    with nobody, and a batch that runs has the helpers of its first member.
    """
    found = []
    held: dict[str, list[Row]] = {}
    batches: set[tuple[str, Any, str]] = set()
    heads: dict[tuple[str, Any], Row] = {}
    helping: dict[str, list[Row]] = {}
    for row in rows:
        place = (row["resource"], row["batch"])
        if row["running"] and place[1] is not None and heads.setdefault(place, row) is not row:
            continue
        for kind in dict.fromkeys(row["step"].get("needs") or []):
            until = row["start"] + _held(row)
            if row["batch"] is not None:
                if (row["resource"], row["batch"], kind) in batches:
                    continue
                batches.add((row["resource"], row["batch"], kind))
                if not row["running"]:
                    until = row["start"] + _longest_held(rows, row, kind)
            held.setdefault(kind, []).append(row | {"end": until})
            if kind not in helping:
                helping[kind] = helpers_of(resources, kind)
            helpers = helping[kind]
            present = any(open_for(r.get("open"), row["start"], until, True) for r in helpers)
            if not row["running"] and not present:
                found.append(f"{row['what']}: nobody of '{kind}' is there")
    for kind, spans in held.items():
        limit = sum(r.get("capacity", 1) for r in helping[kind])
        running = [row["end"] for row in spans if row["running"]]
        alone = max(0, sum(1 for end in running if end > CLOSE) - limit)
        planned = [row for row in spans if not row["running"]]
        for t, at_once in running_at(planned, sorted({row["start"] for row in planned})):
            count = max(0, sum(1 for end in running if end > t + CLOSE) - alone)
            count += len(at_once)
            if count > limit:
                what = at_once[-1]["what"] if at_once else f"at {t}"
                found.append(f"{what}: {count} of '{kind}' are held at {t}, there are {limit}")
    return found


def _held(row: Row) -> float:
    """Return for how many minutes a step holds its helpers."""
    minutes, hands = row["end"] - row["start"], row["step"].get("hands")
    if hands is None:
        hands = minutes if row["step"].get("attended", True) else 0.0
    return float(min(hands, minutes))


def _longest_held(rows: list[Row], of: Row, kind: str) -> float:
    """Return the longest time for which a member of a batch holds a helper of this kind."""
    return max(
        _held(row)
        for row in rows
        if row["batch"] == of["batch"]
        and row["resource"] == of["resource"]
        and kind in (row["step"].get("needs") or [])
    )


def helpers_of(resources: Row, kind: str) -> list[Row]:
    """Return who answers to a kind, by kind or by skill."""
    return [r for r in resources.values() if r["kind"] == kind or kind in (r.get("skills") or [])]


def helpers_for_all(resources: Row, rows: list[Row]) -> list[str]:
    """Check that at each start all that hold helpers then can have a helper of their own.

    One who is there for all of the time, is not down, does not run a step as a machine,
    and gives only one hand to one step however many kinds it answers to. A plan does
    not say who helps, so at each moment some assignment must exist (augmenting paths,
    H. W. Kuhn, Naval Research Logistics Quarterly 2, 1955); what runs already is left
    to the count of heads.
    """
    spans: list[Row] = []
    seen: set[tuple[str, Any, str]] = set()
    for row in rows:
        for kind in dict.fromkeys(row["step"].get("needs") or []):
            key = (row["resource"], row["batch"], kind)
            if row["running"] or (row["batch"] is not None and key in seen):
                continue
            seen.add(key)
            single = row["batch"] is None
            held = _held(row) if single else _longest_held(rows, row, kind)
            until = row["start"] + held
            who = [
                str(r["id"])
                for r in helpers_of(resources, kind)
                if _present(r, row["start"], until)
                and (str(r["id"]) != row["resource"] or r.get("capacity", 1) > 1)
            ]
            spans.append(row | {"end": until, "who": who, "need": kind})
    names = {name for span in spans for name in span["who"]}
    found = [f"{s['what']}: nobody of '{s['need']}' is there" for s in spans if not s["who"]]
    runs: dict[Any, list[Row]] = {}
    for span in spans:
        runs.setdefault(span["what"] if span["batch"] is None else span["batch"], []).append(span)
    for run in runs.values():  # one each, also where they are held for no time
        found += _unhelped(run, {name: _seats(resources[name], name, []) for name in names}, "")
    machines = [row for row in rows if row["resource"] in names]
    moments = sorted({row["start"] for row in spans + [m for m in machines if not m["running"]]})
    for (t, here), (_, busy) in zip(
        running_at(spans, moments), running_at(machines, moments), strict=True
    ):
        room = {name: _seats(resources[name], name, busy) for name in names} if here else {}
        found += _unhelped(here, room, f" at {t}")
    return found


def _unhelped(spans: list[Row], room: dict[str, int], when: str) -> list[str]:
    """Return a line for each span that finds no helper beside the others."""
    taken: dict[str, list[Row]] = {name: [] for name in room}
    return [
        f"{span['what']}: nobody of '{span['need']}' is free for it{when}"
        for span in spans
        if not _assign(span, room, taken, set())
    ]


def _present(helper: Row, start: float, until: float) -> bool:
    down = helper.get("down") or []
    return open_for(helper.get("open"), start, until, True) and not any(
        start < high - CLOSE and until > low + CLOSE for low, high in down
    )


def _seats(helper: Row, name: str, busy: list[Row]) -> int:
    """Return to how many steps a helper can give a hand beside what it runs as a machine."""
    capacity = float(helper.get("capacity", 1))
    runs = [row for row in busy if row["resource"] == name]
    if helper.get("batch") and runs:
        return 0
    load = sum(min(row["step"].get("size", 1), capacity) for row in runs)
    return int((capacity - load) / min(1.0, capacity) + CLOSE)


def _assign(span: Row, room: dict[str, int], taken: dict[str, list[Row]], tried: set[str]) -> bool:
    """Find a helper for a span, letting others change theirs; False if there is none."""
    for name in span["who"]:
        if name in tried:
            continue
        tried.add(name)
        if len(taken[name]) < room[name]:
            taken[name].append(span)
            return True
        for other in list(taken[name]) if room[name] > 0 else []:
            if _assign(other, room, taken, tried):
                taken[name].remove(other)
                taken[name].append(span)
                return True
    return False
