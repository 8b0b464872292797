// Distances between outlines on a plate, for showing at once what the server will judge.

// Where an outline's points come to stand.
export function placed(points, { x, y, turn_deg: degrees }) {
  const turn = (degrees * Math.PI) / 180;
  const [c, s] = [Math.cos(turn), Math.sin(turn)];
  return points.map(([u, v]) => [x + c * u - s * v, y + s * u + c * v]);
}

function box(points) {
  const out = [Infinity, Infinity, -Infinity, -Infinity];
  for (const [x, y] of points) {
    out[0] = Math.min(out[0], x);
    out[1] = Math.min(out[1], y);
    out[2] = Math.max(out[2], x);
    out[3] = Math.max(out[3], y);
  }
  return out;
}

// Whether a point lies inside, by how often a ray to the right crosses the outline.
function inside([x, y], ring) {
  let odd = false;
  for (let k = 0, j = ring.length - 1; k < ring.length; j = k, k += 1) {
    const [[ax, ay], [bx, by]] = [ring[k], ring[j]];
    if (ay > y !== by > y && x < ax + ((y - ay) * (bx - ax)) / (by - ay)) odd = !odd;
  }
  return odd;
}

function toLine([x, y], [ax, ay], [bx, by]) {
  const [dx, dy] = [bx - ax, by - ay];
  const length = dx * dx + dy * dy;
  const t = length ? Math.min(1, Math.max(0, ((x - ax) * dx + (y - ay) * dy) / length)) : 0;
  return [ax + t * dx, ay + t * dy];
}

// The nearest places of two outlines that are nearer than `gap`; 0 where they overlap.
export function nearest(one, other, gap) {
  let best = { distance: Infinity, from: [0, 0], to: [0, 0] };
  const [a, b] = [box(one), box(other)];
  if (a[0] > b[2] + gap || b[0] > a[2] + gap || a[1] > b[3] + gap || b[1] > a[3] + gap) return best;
  for (const [points, ring, room] of [[one, other, b], [other, one, a]]) {
    for (const point of points) {
      const [x, y] = point;
      if (x < room[0] - gap || x > room[2] + gap || y < room[1] - gap || y > room[3] + gap) continue;
      if (inside(point, ring)) return { distance: 0, from: point, to: point };
      for (let k = 0, j = ring.length - 1; k < ring.length; j = k, k += 1) {
        const to = toLine(point, ring[j], ring[k]);
        const distance = Math.hypot(to[0] - x, to[1] - y);
        if (distance < best.distance) best = { distance, from: point, to };
      }
    }
  }
  return best;
}
