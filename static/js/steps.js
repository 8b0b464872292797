// The arrangements of one plate that a person has gone through, kept while the window is open.

const MOST = 40;

function same(one, other) {
  const text = (places) => JSON.stringify(places
    .map(({ name, x, y, turn_deg: turn }) => [name, x.toFixed(2), y.toFixed(2), turn.toFixed(2)])
    .sort());
  return text(one) === text(other);
}

export class Steps {
  // `places`: where the server says that the models stand.
  constructor(load, places) {
    this.key = `plate-${load}`;
    const { past = [], here = null, future = [] } = JSON.parse(sessionStorage.getItem(this.key) ?? "{}");
    // A model that was put in since stands nowhere in an older arrangement.
    const whole = (step) => places.every(({ name }) => step.some((place) => place.name === name));
    [this.past, this.here, this.future] = [past, here ?? structuredClone(places), future];
    if (!same(this.here, places)) this.add(places);
    this.past = this.past.filter(whole);
    this.future = this.future.filter(whole);
    this.store();
  }

  store() {
    sessionStorage.setItem(this.key, JSON.stringify({ past: this.past.slice(-MOST), here: this.here, future: this.future }));
  }

  add(places) {
    if (same(this.here, places)) return;
    this.past.push(this.here);
    this.here = structuredClone(places);
    this.future = [];
    this.store();
  }

  undo() {
    return this.go(this.past, this.future);
  }

  redo() {
    return this.go(this.future, this.past);
  }

  go(from, to) {
    to.push(this.here);
    this.here = from.pop();
    this.store();
    return structuredClone(this.here);
  }
}
