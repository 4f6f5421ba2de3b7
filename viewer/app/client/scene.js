// The casts, axes and arcs in WebGL 2. Draws only when something changed; knows no numbers but
// those sent: matrices, lines, points and the arrays of both display meshes.
(function () {
  "use strict";
  const VERTEX = `#version 300 es
  in vec3 a_position; in vec3 a_normal; in vec3 a_point; in float a_mapped;
  uniform mat4 u_view; uniform mat4 u_projection; uniform mat4 u_model;
  uniform mat4 u_error; uniform mat4 u_target; uniform float u_limit; uniform bool u_map;
  out vec3 v_normal; out float v_high; out float v_mapped;
  void main() {
    v_normal = mat3(u_view) * (mat3(u_model) * a_normal);
    v_high = 0.0; v_mapped = 0.0;
    if (u_map) {
      vec3 p = (u_target * vec4(a_point, 1.0)).xyz;
      vec3 n = mat3(u_target) * a_normal;
      v_high = -dot((u_error * vec4(p, 1.0)).xyz, n) * 1000.0 / u_limit;
      v_mapped = a_mapped;
    }
    gl_Position = u_projection * u_view * u_model * vec4(a_position, 1.0);
  }`;
  const FRAGMENT = `#version 300 es
  precision highp float;
  in vec3 v_normal; in float v_high; in float v_mapped;
  uniform vec3 u_colour; uniform float u_opacity; uniform bool u_flat; uniform sampler2D u_table;
  out vec4 colour;
  void main() {
    vec3 base = u_colour;
    float share = 0.5 + 0.5 * clamp(v_high, -1.0, 1.0);
    vec3 mapped = texture(u_table, vec2((share * 256.0 + 0.5) / 257.0, 0.5)).rgb;
    base = mix(base, mapped, smoothstep(0.35, 0.65, v_mapped));
    if (!u_flat) {
      vec3 n = normalize(v_normal);
      if (n.z < 0.0) n = -n;
      float key = max(dot(n, normalize(vec3(-0.45, 0.65, 0.65))), 0.0);
      float fill = max(dot(n, normalize(vec3(0.85, 0.10, 0.45))), 0.0);
      base *= 0.40 + 0.58 * key + 0.20 * fill;
    }
    colour = vec4(base, u_opacity);
  }`;
  const IDENTITY = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];
  const TYPES = { float32: Float32Array, uint8: Uint8Array, uint32: Uint32Array };
  const kept = { rev: -1, parts: null }; // survives a redraw of the page after the server went

  function unpack(buffer) {
    const length = new DataView(buffer).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
    const parts = {};
    for (const [name, arrays] of Object.entries(head)) {
      parts[name] = {};
      for (const [key, [type, offset, size]] of Object.entries(arrays))
        parts[name][key] = new TYPES[type](buffer, 4 + length + offset, size);
    }
    return parts;
  }
  const { cross, dot, tube, dashed, ball } = window.hingewiseShapes;
  const apply = (m, p) => [0, 1, 2].map((i) => m[i] * p[0] + m[4 + i] * p[1] + m[8 + i] * p[2] + m[12 + i]);

  const product = (a, b) => b.map((_, i) => [0, 1, 2, 3].reduce((sum, k) => sum + a[4 * k + (i % 4)] * b[4 * (i >> 2) + k], 0));

  // The articulator's motion with its difference from the patient's multiplied, point by point.
  const apart = (patient, articulator, factor) => patient.map((v, i) => v + factor * (articulator[i] - v));

  class Stage {
    constructor(canvas, overlay, leaders) {
      this.canvas = canvas; this.overlay = overlay; this.leaders = leaders;
      this.software = Stage.isSoftware();
      this.gl = canvas.getContext("webgl2", { antialias: !this.software, alpha: false, preserveDrawingBuffer: true });
      if (!this.gl) throw new Error("no WebGL 2");
      const gl = this.gl;
      this.program = this.link();
      this.at = (name) => (this.places[name] ??= gl.getUniformLocation(this.program, name));
      this.places = {};
      this.casts = {}; this.tubes = []; this.scene = null; this.moving = false; this.layers = {}; this.through = false;
      this.camera = { az: 0.85, el: 0.3, centre: [50, 0, -30], half: 60 };
      this.ball = this.upload(ball());
      this.colours = {};
      this.away = null; // motion of the patient's lower from the target, 4x4 by columns; null: closed
      this.ghostAway = null; // the same of the articulator's
      this.ways = []; // tubes: ways of the named landmarks in an excursion
    }
    static isSoftware() { // drawing without a graphics card: spend less on smooth edges while moving
      const gl = document.createElement("canvas").getContext("webgl2");
      if (!gl) return false;
      const info = gl.getExtension("WEBGL_debug_renderer_info");
      const name = String(gl.getParameter(info ? info.UNMASKED_RENDERER_WEBGL : gl.RENDERER));
      const lose = gl.getExtension("WEBGL_lose_context");
      if (lose) lose.loseContext();
      return /swiftshader|llvmpipe|softpipe|software/i.test(name);
    }
    link() {
      const gl = this.gl, program = gl.createProgram();
      for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
        const shader = gl.createShader(kind);
        gl.shaderSource(shader, text); gl.compileShader(shader);
        if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
        gl.attachShader(program, shader);
      }
      ["a_position", "a_normal", "a_point", "a_mapped"].forEach((n, i) => gl.bindAttribLocation(program, i, n));
      gl.linkProgram(program);
      if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program));
      return program;
    }
    upload(mesh) {
      const gl = this.gl, array = gl.createVertexArray(), buffers = [];
      gl.bindVertexArray(array);
      [["position", 3, gl.FLOAT], ["normal", 3, gl.FLOAT], ["point", 3, gl.FLOAT], ["mapped", 1, gl.UNSIGNED_BYTE]]
        .forEach(([key, size, type], i) => {
          if (!mesh[key]) return;
          const buffer = gl.createBuffer(); buffers.push(buffer);
          gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
          gl.bufferData(gl.ARRAY_BUFFER, mesh[key], gl.STATIC_DRAW);
          gl.enableVertexAttribArray(i);
          gl.vertexAttribPointer(i, size, type, type === gl.UNSIGNED_BYTE, 0, 0);
        });
      const index = gl.createBuffer(); buffers.push(index);
      gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, index);
      gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, mesh.face, gl.STATIC_DRAW);
      gl.bindVertexArray(null);
      return { array, buffers, count: mesh.face.length, position: mesh.position };
    }
    drop(mesh) {
      this.gl.deleteVertexArray(mesh.array);
      mesh.buffers.forEach((b) => this.gl.deleteBuffer(b));
    }
    setCasts(parts) {
      Object.values(this.casts).forEach((m) => this.drop(m));
      this.casts = {};
      for (const [name, mesh] of Object.entries(parts)) this.casts[name] = this.upload(mesh);
    }
    setScene(scene) {
      this.scene = scene;
      this.tubes.forEach((t) => this.drop(t.mesh));
      this.tubes = scene.lines.map((l) => ({ ...l, mesh: this.upload(tube(l.pieces, l.radius, l.radius < 0.4 ? 4 : 9)) }));
      if (this.plane) this.drop(this.plane);
      this.plane = this.upload({
        position: new Float32Array(scene.plane.flat()), normal: new Float32Array([0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1]),
        face: new Uint32Array([0, 1, 2, 0, 2, 3]) });
    }
    setWays(patient, articulator) { // motions from the target; null: none to show
      this.ways.forEach((t) => this.drop(t.mesh));
      this.ways = [];
      if (!patient || !articulator || !this.scene) return;
      const n = Math.min(patient.length, articulator.length), f = this.scene.factor;
      for (const label of this.scene.labels) if (label.layer === "landmarks") {
        const here = patient.slice(0, n).map((m) => apply(m, label.at));
        const there = patient.slice(0, n).map((m, k) => apply(apart(m, articulator[k], f), label.at));
        this.ways.push({ role: "true", mesh: this.upload(tube([here], 0.5, 9)) });
        this.ways.push({ role: "arbitrary", mesh: this.upload(tube(dashed(there, 1.2, 0.8), 0.5, 9)) });
      }
    }
    setTable(table) {
      const gl = this.gl, data = new Uint8Array(257 * 4).fill(255);
      table.forEach((c, i) => data.set(c, 4 * i));
      this.table = gl.createTexture();
      gl.bindTexture(gl.TEXTURE_2D, this.table);
      gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, 257, 1, 0, gl.RGBA, gl.UNSIGNED_BYTE, data);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE);
    }
    readColours() {
      const style = getComputedStyle(document.documentElement);
      for (const role of ["page", "ink", "quiet", "true", "arbitrary", "upper", "lower", "ghost", "plane", "contact", "halo"]) {
        const hex = style.getPropertyValue("--" + role).trim();
        this.colours[role] = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255);
      }
    }
    basis() {
      const { az, el } = this.camera;
      const d = [Math.cos(el) * Math.cos(az), Math.cos(el) * Math.sin(az), Math.sin(el)];
      const right = [-Math.sin(az), Math.cos(az), 0];
      return { d, right, up: cross(d, right) };
    }
    matrices() {
      const { d, right, up } = this.basis(), { centre, half } = this.camera;
      const aspect = this.canvas.width / this.canvas.height, deep = 600;
      const view = [right[0], up[0], d[0], 0, right[1], up[1], d[1], 0, right[2], up[2], d[2], 0,
        -dot(right, centre), -dot(up, centre), -dot(d, centre), 1];
      const projection = [1 / (half * aspect), 0, 0, 0, 0, 1 / half, 0, 0, 0, 0, -1 / deep, 0, 0, 0, 0, 1];
      return { view, projection };
    }
    pixel(p) {
      const { d, right, up } = this.basis(), { centre, half } = this.camera;
      const q = [p[0] - centre[0], p[1] - centre[1], p[2] - centre[2]];
      const h = this.canvas.clientHeight, k = h / (2 * half);
      return [this.canvas.clientWidth / 2 + k * dot(q, right), h / 2 - k * dot(q, up), dot(q, d)];
    }
    ray(x, y) {
      const { d, right, up } = this.basis(), { centre, half } = this.camera;
      const k = (2 * half) / this.canvas.clientHeight;
      const a = (x - this.canvas.clientWidth / 2) * k, b = (this.canvas.clientHeight / 2 - y) * k;
      return { origin: [0, 1, 2].map((i) => centre[i] + a * right[i] + b * up[i] + 500 * d[i]), direction: d.map((v) => -v) };
    }
    extent(castsOnly) {
      const points = [];
      const add = (mesh, model) => {
        const step = 3 * Math.max(1, Math.floor(mesh.position.length / 900));
        for (let i = 0; i + 2 < mesh.position.length; i += step)
          points.push(apply(model, [mesh.position[i], mesh.position[i + 1], mesh.position[i + 2]]));
      };
      if (this.casts.upper && this.layers.upper) add(this.casts.upper, IDENTITY);
      if (this.casts.lower && (this.layers.lower || this.layers.map || this.layers.ghost)) add(this.casts.lower, this.scene.target);
      if (castsOnly) return points;
      for (const l of this.scene.lines) if (this.layers[l.layer] && l.radius > 0.4) points.push(...l.pieces.flat());
      for (const p of this.scene.points) if (this.layers[p.layer]) points.push(p.at);
      return points.length ? points : this.scene.points.map((p) => p.at);
    }
    fit() {
      if (!this.scene) return;
      const { d, right, up } = this.basis(), points = this.extent();
      const range = (axis) => { const v = points.map((p) => dot(p, axis)); return [Math.min(...v), Math.max(...v)]; };
      const [a0, a1] = range(right), [b0, b1] = range(up), [c0, c1] = range(d);
      const middle = [(a0 + a1) / 2, (b0 + b1) / 2, (c0 + c1) / 2];
      this.camera.centre = [0, 1, 2].map((i) => middle[0] * right[i] + middle[1] * up[i] + middle[2] * d[i]);
      const aspect = this.canvas.clientWidth / Math.max(this.canvas.clientHeight, 1);
      this.camera.half = Math.max(5, Math.max(1.2 * (b1 - b0), ((this.layers.labels ? 1.45 : 1.1) * (a1 - a0)) / aspect) / 2);
    }
    resize() {
      const ratio = this.software ? (this.moving ? 1 : 1.5) : Math.min(window.devicePixelRatio || 1, 1.5);
      const w = Math.max(2, Math.round(this.canvas.clientWidth * ratio)), h = Math.max(2, Math.round(this.canvas.clientHeight * ratio));
      if (w !== this.canvas.width || h !== this.canvas.height) { this.canvas.width = w; this.canvas.height = h; return true; }
      return false;
    }
    place(item) { // what is on the lower goes with it
      const onLower = item.layer === "landmarks" || item.layer === "map";
      return this.away && onLower ? apply(this.away, item.at) : item.at;
    }
    draw() {
      const gl = this.gl, s = this.scene;
      if (!s) return;
      this.resize();
      const { view, projection } = this.matrices(), page = this.colours.page;
      gl.viewport(0, 0, this.canvas.width, this.canvas.height);
      gl.clearColor(...page, 1); gl.depthMask(true); gl.colorMask(true, true, true, true);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.enable(gl.DEPTH_TEST); gl.depthFunc(gl.LEQUAL); gl.useProgram(this.program);
      gl.uniformMatrix4fv(this.at("u_view"), false, view);
      gl.uniformMatrix4fv(this.at("u_projection"), false, projection);
      gl.uniformMatrix4fv(this.at("u_error"), false, s.error);
      gl.uniformMatrix4fv(this.at("u_target"), false, s.target);
      gl.uniform1f(this.at("u_limit"), s.limit_um);
      if (this.table) gl.bindTexture(gl.TEXTURE_2D, this.table);
      const L = this.layers, see = this.through ? (this.colours.page[0] < 0.5 ? 0.62 : 0.45) : 1;
      const item = (mesh, colour, opacity, model, options = {}) => {
        gl.uniformMatrix4fv(this.at("u_model"), false, model);
        gl.uniform3fv(this.at("u_colour"), colour);
        gl.uniform1f(this.at("u_opacity"), opacity);
        gl.uniform1i(this.at("u_map"), options.map ? 1 : 0);
        gl.uniform1i(this.at("u_flat"), options.flat ? 1 : 0);
        gl.bindVertexArray(mesh.array);
        gl.drawElements(gl.TRIANGLES, mesh.count, gl.UNSIGNED_INT, 0);
      };
      const casts = this.moving && this.casts.lower_moving
        ? { upper: this.casts.upper_moving, lower: this.casts.lower_moving } : this.casts;
      const clear = []; // see-through things, drawn last
      const cast = (mesh, colour, opacity, model, options) =>
        opacity < 1 ? clear.push([mesh, colour, opacity, model, options]) : item(mesh, colour, 1, model, options);
      if (casts.upper && L.upper) cast(casts.upper, this.colours.upper, see, IDENTITY);
      const lower = this.away ? product(this.away, s.target) : s.target; // the map keeps the closed pose's colours
      if (casts.lower && (L.lower || L.map)) cast(casts.lower, this.colours.lower, L.map ? 1 : see, lower, { map: L.map });
      for (const t of this.tubes) if (L[t.layer] && !(this.ways.length && t.layer === "arcs")) item(t.mesh, this.colours[t.role], 1, IDENTITY);
      for (const p of s.points) if (L[p.layer] || p.layer === "pick") {
        const r = p.radius;
        item(this.ball, this.colours[p.role], 1, [r, 0, 0, 0, 0, r, 0, 0, 0, 0, r, 0, ...this.place(p), 1]);
      }
      if (casts.lower && L.record) clear.push([casts.lower, this.colours.quiet, 0.28, s.record]);
      const ghost = this.away && this.ghostAway ? product(apart(this.away, this.ghostAway, s.factor), s.target) : s.ghost;
      if (casts.lower && L.ghost) clear.push([casts.lower, this.colours.ghost, this.through ? 0.3 : 0.42, ghost]);
      if (this.plane && L.plane) clear.push([this.plane, this.colours.plane, 0.22, IDENTITY, { flat: true }]);
      gl.enable(gl.BLEND); gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
      for (const [mesh, colour, opacity, model, options] of clear) { // its nearest layer only
        gl.colorMask(false, false, false, false); item(mesh, colour, opacity, model, options);
        gl.colorMask(true, true, true, true); item(mesh, colour, opacity, model, options);
      }
      gl.disable(gl.BLEND);
      if (this.ways.length) gl.clear(gl.DEPTH_BUFFER_BIT); // seen through everything
      for (const t of this.ways) item(t.mesh, this.colours[t.role], 1, IDENTITY, { flat: true });
      gl.bindVertexArray(null);
      this.write();
    }
    sides() { // what lies to the left and right, and how long 10 mm are
      const { right } = this.basis(), k = this.canvas.clientHeight / (2 * this.camera.half);
      const words = Math.abs(right[1]) > 0.7 ? ["patient's right", "patient's left"] : Math.abs(right[0]) > 0.7 ? ["posterior", "anterior"] : ["", ""];
      const flip = (Math.abs(right[1]) > 0.7 ? right[1] : right[0]) < 0;
      const bar = k > 14 ? 1 : k > 1.6 ? 10 : 50;
      this.frame = { left: words[flip ? 1 : 0], right: words[flip ? 0 : 1], bar, px: bar * k };
      if (this.onframe) this.onframe(this.frame);
    }
    visibleLabels() {
      const out = [], L = this.layers, w = this.canvas.clientWidth, h = this.canvas.clientHeight;
      if (!L.labels) return out;
      for (const label of this.scene.labels) {
        if (!L[label.layer] || (label.role === "tooth" && !L.map)) continue;
        const [x, y, z] = this.pixel(this.place(label));
        if (x < -20 || y < -10 || x > w + 20 || y > h + 10) continue;
        const hidden = label.layer === "landmarks" && z < 0 && !this.through;
        if (hidden && !label.worst) continue;
        out.push({ ...label, x, y, hidden });
      }
      const names = out.filter((l) => l.role !== "tooth");
      for (const l of out) { l.width = (l.worst ? 8.4 : 7.6) * l.text.length; l.tx = l.x - l.width / 2; l.ty = l.y; }
      const drawn = this.extent(true).map((p) => this.pixel(p));
      for (const l of names) { // the nearer margin, unless only the other one has room beside the casts
        const row = drawn.filter((p) => Math.abs(p[1] - l.y) < 30).map((p) => p[0]);
        const room = { left: Math.min(w, ...row) - 14, right: w - Math.max(0, ...row) - 14 };
        const near = l.x < w / 2 ? "left" : "right", far = near === "left" ? "right" : "left";
        l.side = l.width > room[near] && l.width < room[far] ? far : near;
      }
      for (const left of [true, false]) { // one under the other
        const side = names.filter((l) => (l.side === "left") === left).sort((p, q) => p.y - q.y);
        const high = h - 34, gap = Math.min(19, (high - 14) / Math.max(side.length - 1, 1));
        side.forEach((l, i) => { l.ty = Math.max(i ? side[i - 1].ty + gap : 14, Math.min(l.y, high)); });
        for (let i = side.length - 1; i >= 0; i--) side[i].ty = Math.min(side[i].ty, i + 1 < side.length ? side[i + 1].ty - gap : high);
        for (const l of side) l.tx = left ? Math.max(8, Math.min(8, l.x)) : w - 8 - l.width;
      }
      return out;
    }
    write() {
      const labels = this.visibleLabels(), nodes = this.overlay;
      const lead = labels.filter((l) => l.role !== "tooth").map((l) => {
        const right = l.tx + l.width, over = l.x >= l.tx && l.x <= right; // never through the name itself
        const side = over ? l.x : l.x < l.tx ? l.tx - 3 : right + 3;
        const level = over ? l.ty + (l.y < l.ty ? -9 : 9) : l.ty;
        if (over && Math.abs(l.y - l.ty) < 9) return "";
        const ends = [[l.x, l.y], [side, level]];
        return (l.hidden ? dashed(ends, 3, 4) : [ends]).map((p) => "M" + p.map((q) => q.map((v) => v.toFixed(1)).join(" ")).join("L")).join("");
      }).join("");
      this.leaders.setAttribute("d", lead);
      this.sides();
      while (nodes.children.length > labels.length) nodes.lastChild.remove();
      while (nodes.children.length < labels.length) nodes.append(document.createElement("span"));
      labels.forEach((label, i) => {
        const node = nodes.children[i];
        if (node.textContent !== label.text) node.textContent = label.text;
        node.className = "role-" + label.role + (label.worst ? " strong" : "");
        node.style.transform = `translate(${label.tx.toFixed(1)}px, ${(label.ty - 9).toFixed(1)}px)`;
      });
    }
  }
  const VIEWS = {
    oblique: { az: Math.atan2(0.7, 0.62), el: 0.31, layers: { upper: 1, lower: 1, map: 0, ghost: 1, landmarks: 1, axes: 1, arcs: 1, contact: 0 } },
    left: { az: Math.PI / 2, el: 0, layers: { upper: 1, lower: 1, map: 0, ghost: 1, landmarks: 1, axes: 1, arcs: 1, contact: 1 }, through: true },
    front: { az: 0, el: 0, layers: { upper: 1, lower: 1, map: 0, ghost: 1, landmarks: 1, axes: 1, arcs: 1, contact: 0 } },
    occlusal: { az: 0, el: Math.PI / 2, layers: { upper: 0, lower: 0, map: 1, ghost: 0, landmarks: 0, axes: 0, arcs: 0, contact: 0, plane: 0 } },
  };
  window.hingewiseStage = { Stage, VIEWS, unpack, kept };
})();
