// Tubes, dashes and balls as plain arrays for the stage.
(function () {
  "use strict";
  const cross = (a, b) => [
    a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const unit = (a) => { const l = Math.hypot(...a) || 1; return a.map((v) => v / l); };

  function tube(pieces, radius, sides) {
    const position = [], normal = [], face = [];
    for (const path of pieces) {
      if (path.length < 2) continue;
      const start = position.length / 3;
      for (let i = 0; i < path.length; i++) {
        const a = path[Math.max(i - 1, 0)], b = path[Math.min(i + 1, path.length - 1)];
        const t = unit([b[0] - a[0], b[1] - a[1], b[2] - a[2]]);
        const u = unit(cross(t, Math.abs(t[2]) < 0.9 ? [0, 0, 1] : [1, 0, 0]));
        const v = cross(t, u);
        for (let k = 0; k < sides; k++) {
          const c = Math.cos((2 * Math.PI * k) / sides), s = Math.sin((2 * Math.PI * k) / sides);
          for (let j = 0; j < 3; j++) {
            const n = c * u[j] + s * v[j];
            normal.push(n); position.push(path[i][j] + radius * n);
          }
        }
      }
      const rings = path.length;
      for (let i = 0; i + 1 < rings; i++)
        for (let k = 0; k < sides; k++) {
          const a = start + i * sides + k, b = start + i * sides + ((k + 1) % sides);
          face.push(a, a + sides, b, b, a + sides, b + sides);
        }
      for (const [ring, flip] of [[0, 1], [rings - 1, 0]]) // flat ends
        for (let k = 1; k + 1 < sides; k++) {
          const a = start + ring * sides;
          face.push(a, a + (flip ? k : k + 1), a + (flip ? k + 1 : k));
        }
    }
    return { position: new Float32Array(position), normal: new Float32Array(normal), face: new Uint32Array(face) };
  }
  function dashed(path, on, off) { // pieces of a polyline, by length
    const pieces = [];
    let piece = [path[0]], drawn = true, left = on;
    for (let i = 0; i + 1 < path.length; i++) {
      let a = path[i];
      for (let length = Math.hypot(...path[i + 1].map((v, k) => v - a[k])); length > 0;) {
        const part = Math.min(left, length), b = a.map((v, k) => v + (part / length) * (path[i + 1][k] - v));
        if (drawn) piece.push(b);
        length -= part; left -= part; a = b;
        if (left < 1e-9) { if (drawn) pieces.push(piece); drawn = !drawn; left = drawn ? on : off; piece = [a]; }
      }
    }
    if (drawn && piece.length > 1) pieces.push(piece);
    return pieces;
  }

  function ball() {
    const position = [], face = [], rows = 8, columns = 12;
    for (let i = 0; i <= rows; i++)
      for (let k = 0; k <= columns; k++) {
        const e = (Math.PI * i) / rows, a = (2 * Math.PI * k) / columns;
        position.push(Math.sin(e) * Math.cos(a), Math.sin(e) * Math.sin(a), Math.cos(e));
      }
    for (let i = 0; i < rows; i++)
      for (let k = 0; k < columns; k++) {
        const a = i * (columns + 1) + k, b = a + columns + 1;
        face.push(a, b, a + 1, a + 1, b, b + 1);
      }
    const p = new Float32Array(position);
    return { position: p, normal: p, face: new Uint32Array(face) };
  }

  window.hingewiseShapes = { cross, dot, tube, dashed, ball };
})();
