// One tick for all lines of a group: a tbody with one [data-ticks-all] and its [data-tick].

for (const group of document.querySelectorAll("tbody")) {
  const all = group.querySelector("[data-ticks-all]");
  const each = [...group.querySelectorAll("[data-tick]")];
  if (!all || each.length < 2) continue;
  const show = () => {
    const count = each.filter((tick) => tick.checked).length;
    all.checked = count === each.length;
    all.indeterminate = count > 0 && count < each.length;
  };
  all.hidden = false;
  all.addEventListener("change", () => {
    for (const tick of each) tick.checked = all.checked;
  });
  for (const tick of each) tick.addEventListener("change", show);
  show();
}
