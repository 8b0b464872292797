"""Rows written straight into a table, by the ten thousand, with numbers given in advance."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django.core.management.color import no_style
from django.db import connection, models

__all__ = ["Table", "mend_sequences"]


class Table:
    """Collects rows of one model and writes them with one statement.

    Made for millions of rows: no model instances, no signals, no checks. Whoever adds rows
    vouches for them. Times are converted; a JSON value is given as ``json`` returns it.
    """

    def __init__(self, model: type[models.Model]) -> None:
        self.model = model
        fields = model._meta.concrete_fields
        self.place = {f.attname: i for i, f in enumerate(fields)}
        self.fields = {f.attname: f for f in fields}
        self.blank = [
            None if f.primary_key else f.get_db_prep_save(f.get_default(), connection)
            for f in fields
        ]
        #: Columns whose default differs from row to row.
        self.fresh = [
            (i, f)
            for i, f in enumerate(fields)
            if isinstance(f, models.UUIDField) and f.default is not models.NOT_PROVIDED
        ]
        quote = connection.ops.quote_name
        columns = ", ".join(quote(str(f.column)) for f in fields)
        holes = ", ".join(["%s"] * len(fields))
        self.into = f"{quote(model._meta.db_table)} ({columns})"
        self.statement = f"INSERT INTO {self.into} VALUES ({holes})"
        self.rows: list[list[Any]] = []
        last = model._base_manager.aggregate(m=models.Max("pk"))["m"]
        self.last = int(last or 0)

    def json(self, name: str, value: Any) -> Any:
        """Return ``value`` as the JSON column called ``name`` takes it."""
        return self.fields[name].get_db_prep_save(value, connection)

    def number(self) -> int:
        """Return the next row's number, for a row that others point to before it is written."""
        self.last += 1
        return self.last

    def add(self, pk: int | None = None, **values: Any) -> int:
        """Add a row, named by its columns (``order_id``, not ``order``); return its number."""
        row = list(self.blank)
        row[self.place["id"]] = pk = self.number() if pk is None else pk
        for index, field in self.fresh:
            row[index] = field.get_db_prep_save(field.get_default(), connection)
        place, adapt = self.place, connection.ops.adapt_datetimefield_value
        for name, value in values.items():
            row[place[name]] = adapt(value) if isinstance(value, dt.datetime) else value
        self.rows.append(row)
        return pk

    def write(self) -> None:
        """Write what was added since the last time."""
        with connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                with cursor.cursor.copy(f"COPY {self.into} FROM STDIN") as copy:
                    for row in self.rows:
                        copy.write_row(row)
            elif self.rows:
                cursor.executemany(self.statement, self.rows)
        self.rows = []


def mend_sequences(tables: Iterable[Table]) -> None:
    """Let the database count on from the numbers that were given in advance."""
    statements = connection.ops.sequence_reset_sql(no_style(), [t.model for t in tables])
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)
