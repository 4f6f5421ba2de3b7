// The page's own parts for Vue: a number that is typed or slid, and the stage for the casts.
(function () {
  "use strict";
  const { reactive, ref, watch, inject, computed, onMounted, onBeforeUnmount } = window.Vue;
  const { Stage, VIEWS, unpack, kept } = window.hingewiseStage;
  const stored = (() => { try { return localStorage.getItem("hingewise-theme"); } catch { return null; } })();
  const KEPT = "hingewise-page", AGAIN_MS = 1000, MOST_RELOADS = 4, RELOADS_WITHIN_MS = 60000;
  const session = (key, value) => { // per tab; null in a private window that forbids it
    try {
      const before = sessionStorage.getItem(key);
      if (value === undefined) return JSON.parse(before);
      if (value === null) sessionStorage.removeItem(key); else sessionStorage.setItem(key, JSON.stringify(value));
    } catch { /* the page goes on without */ }
    return null;
  };
  const narrow = matchMedia("(max-width: 1100px)"); // as in look.css: the diagrams are a tab then
  const ui = reactive({
    narrow: narrow.matches,
    theme: stored || (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light"),
    view: "oblique", fitted: 0, gl: true, glWhy: "", tab: "errors", pick: "", panel: "",
    layers: { upper: true, lower: true, map: false, ghost: true, record: false, axes: true, arcs: true,
      landmarks: true, contact: false, plane: false, labels: true },
    through: false, name: "", tooth: "", at: ["", "", ""], file: "changed_case.toml", overwrite: false,
    way: { kind: "protrusion", step: 0 },
    frame: { left: '', right: '', bar: 10, px: 0 }, picture: null, link: "trying", camera: null,
    look(view) {
      const v = VIEWS[view];
      this.view = view; this.through = Boolean(v.through);
      for (const [k, on] of Object.entries(v.layers)) this.layers[k] = Boolean(on);
      this.fitted++;
    },
    beside(event, step) { // arrow keys go along tabs and choices; Enter or space chooses
      const all = [...event.currentTarget.querySelectorAll("button:not(:disabled)")], i = all.indexOf(event.target);
      if (i >= 0) all[(i + step + all.length) % all.length].focus();
    },
    swap() {
      this.theme = this.theme === "dark" ? "light" : "dark";
      try { localStorage.setItem("hingewise-theme", this.theme); } catch { /* private window */ }
    },
    download(url, name) {
      const a = document.createElement("a");
      a.href = url; a.download = name; document.body.append(a); a.click(); a.remove();
    },
  });
  // After a lost connection: what the page showed comes back with it.
  const shown = session(KEPT);
  if (shown) {
    session(KEPT, null);
    for (const name of ["view", "tab", "panel", "through", "file", "camera"]) ui[name] = shown[name];
    Object.assign(ui.layers, shown.layers); ui.way.kind = shown.kind;
  }
  const widen = () => { ui.narrow = narrow.matches; if (!ui.narrow && ui.tab === "charts") ui.tab = "errors"; };
  narrow.addEventListener("change", widen); widen();
  let trying = null;
  const reopen = () => {
    const now = Date.now(), past = (session(KEPT + "-times") || []).filter((t) => now - t < RELOADS_WITHIN_MS);
    if (past.length >= MOST_RELOADS) { ui.link = "often"; return; }
    session(KEPT + "-times", [...past, now]);
    const view = window.hingewiseView;
    session(KEPT, { view: ui.view, tab: ui.tab, panel: ui.pick ? "" : ui.panel, through: ui.through, file: ui.file,
      camera: view ? { ...view.camera } : null, layers: { ...ui.layers }, kind: ui.way.kind });
    location.reload();
  };
  const reach = async () => { // is the server still there?
    clearTimeout(trying);
    const answer = await fetch("palette.css", { cache: "no-store" }).catch(() => null);
    if (answer && answer.ok) return reopen();
    ui.link = "gone"; // refused, or another server there now; it may still come back
    trying = setTimeout(reach, AGAIN_MS);
  };
  const HwGone = {
    setup() {
      onMounted(() => { ui.link = "trying"; reach(); });
      onBeforeUnmount(() => clearTimeout(trying));
      const again = () => { session(KEPT + "-times", null); ui.link = "trying"; reach(); };
      return { ui, again };
    },
    template: `<div id="gone" class="gone" role="alert"><span v-if="ui.link === 'trying'"><b>The connection is lost.</b> Connecting again…</span>
      <span v-else-if="ui.link === 'often'"><b>The connection is lost again and again.</b> What is shown is the last state; nothing here changes.</span>
      <span v-else><b>The viewer has stopped.</b> The hingewise command behind this page has ended or cannot be reached, so nothing here changes any more; what is shown is the last state. If it has ended, start <code>hingewise view</code> again and open the new address; if it still runs, this page connects again by itself.</span>
      <button id="reconnect" @click="again">Connect now</button></div>`,
  };
  // Closed again wherever the slider cannot be seen, and before a click is to meet the lower.
  watch(() => [ui.tab, ui.pick], () => { if (ui.tab !== "excursions" || ui.pick) ui.way.step = 0; });
  const paint = () => { document.documentElement.dataset.theme = ui.theme; };
  watch(() => ui.theme, paint); paint();

  const HwNumber = {
    props: { name: String, label: String, unit: String, value: Number, min: Number, max: Number, step: Number,
      error: String, digits: { type: Number, default: 2 } },
    setup(props) {
      const trame = inject("trame");
      const text = ref(""), slid = ref(0), editing = ref(false), dragging = ref(false);
      let gesture = 0, waiting = null, flying = false;
      const show = (v) => Number(v).toFixed(props.digits).replace(/^-(0\.?0*)$/, "$1");
      const sync = () => {
        if (!editing.value && !props.error) text.value = show(props.value);
        if (!dragging.value) slid.value = props.value;
      };
      watch(() => [props.value, props.error], () => { sync(); (window.hingewiseValues ??= {})[props.name] = props.value; }, { immediate: true });
      const fly = () => { // one message on its way at a time; only the last value waits
        if (flying || waiting === null) return;
        const [value, id] = waiting;
        waiting = null; flying = true;
        const done = () => { flying = false; fly(); };
        trame.trigger("change", [props.name, value, id]).then(done, done);
      };
      const send = (value, id) => { waiting = [value, id]; fly(); };
      const drag = (event) => {
        if (!dragging.value) { dragging.value = true; gesture++; }
        slid.value = Number(event.target.value);
        text.value = show(slid.value);
        send(slid.value, props.name + gesture);
      };
      const drop = () => { dragging.value = false; };
      const commit = () => {
        editing.value = false;
        if (text.value.trim() === show(props.value) && !props.error) return sync();
        send(text.value, "");
      };
      const nudge = (sign, event) => {
        const now = Number(text.value.replace(",", ".").replace("−", "-"));
        if (!Number.isFinite(now)) return;
        text.value = show(now + sign * props.step * (event.shiftKey ? 10 : 1));
        send(text.value, props.name + "keys");
      };
      const back = () => { editing.value = false; text.value = show(props.value); send(props.value, ""); };
      const id = "field-" + props.name;
      const zero = computed(() => `${(100 * (0 - props.min)) / (props.max - props.min)}%`);
      return { text, slid, editing, drag, drop, commit, nudge, back, id, zero };
    },
    template: `<div class="control" :class="{ bad: error }">
      <div class="line"><label :for="id">{{ label }}</label>
        <span class="typed"><input type="text" inputmode="decimal" autocomplete="off" spellcheck="false" :id="id" v-model="text"
          :aria-invalid="Boolean(error)" :aria-describedby="error ? id + '-why' : null"
          @focus="editing = true; $event.target.select()" @blur="commit" @keydown.enter.prevent="commit"
          @keydown.esc.prevent="back" @keydown.up.prevent="nudge(1, $event)" @keydown.down.prevent="nudge(-1, $event)">
          <span class="unit">{{ unit }}</span></span></div>
      <div class="track"><i v-if="min < 0 && max > 0" :style="{ left: zero }"></i>
        <input type="range" :min="min" :max="max" :step="step" :value="slid"
          :aria-label="label + ', ' + unit" @input="drag" @change="drop"></div>
      <p v-if="error" class="why" role="alert" :id="id + '-why'">{{ error }}</p></div>`,
  };

  const HwStage = {
    props: { scene: Object, rev: Number, table: Array, later: Object, about: Object, ways: Object, current: Number },
    setup(props) {
      const trame = inject("trame"), canvas = ref(null), overlay = ref(null), leaders = ref(null);
      let stage = null, observer = null, asked = false, held = null, first = true;
      let resting = 0;
      // Motions of another case's excursions are never shown.
      const moves = (of) => (props.ways.rev === props.current && props.ways[of][ui.way.kind]) || null;
      const pose = (of) => { const m = moves(of); return (ui.way.step && m && m[Math.min(ui.way.step, m.length - 1)]) || null; };
      const trace = () => { // the ways themselves, while their tab is open
        const on = ui.tab === "excursions" && !ui.pick;
        if (stage) stage.setWays(on ? moves("moves") : null, on ? moves("ghosts") : null);
      };
      const rest = () => { if (stage) { stage.moving = false; request(); } };
      const redraw = () => { // coarse at once, fine after a moment's rest
        if (!stage) return;
        stage.moving = true;
        clearTimeout(resting); resting = setTimeout(rest, stage.software ? 700 : 200);
        request();
      };
      const request = () => {
        if (!stage || asked) return;
        asked = true;
        requestAnimationFrame(() => {
          asked = false;
          if (!stage) return;
          stage.layers = ui.layers; stage.through = ui.through; stage.away = pose("moves"); stage.ghostAway = pose("ghosts");
          stage.draw();
          window.hingewiseDrawn = performance.now();
        });
      };
      const take = () => {
        if (!stage || !props.scene) return;
        const extra = props.later && props.later.mouth_point;
        const scene = extra ? { ...props.scene, points: [...props.scene.points, extra.point], labels: [...props.scene.labels, extra.label] } : props.scene;
        stage.setScene(scene); trace(); window.hingewiseSceneAt = performance.now();
        if (first) { first = false; aim(ui.view); }
        redraw();
      };
      const load = async () => {
        if (!stage) return;
        if (kept.rev !== props.rev) {
          const answer = await fetch("casts?rev=" + props.rev).catch(() => null);
          if (!answer || !answer.ok) return;
          kept.parts = unpack(await answer.arrayBuffer()); kept.rev = props.rev;
        }
        stage.setCasts(kept.parts);
        window.hingewiseCasts = Object.keys(kept.parts).length / 2;
        aim(ui.view); ui.camera = null; redraw();
      };
      const aim = (view) => {
        if (!stage) return;
        stage.layers = ui.layers; stage.through = ui.through;
        stage.camera.az = VIEWS[view].az; stage.camera.el = VIEWS[view].el;
        stage.resize(); stage.fit();
        if (ui.camera) Object.assign(stage.camera, ui.camera);
        redraw();
      };
      const turn = (dx, dy) => {
        stage.camera.az -= dx; stage.camera.el = Math.min(Math.PI / 2, Math.max(-Math.PI / 2, stage.camera.el + dy)); redraw();
      };
      const shift = (dx, dy) => {
        const { right, up } = stage.basis(), k = (2 * stage.camera.half) / stage.canvas.clientHeight;
        stage.camera.centre = stage.camera.centre.map((c, i) => c - k * dx * right[i] + k * dy * up[i]); redraw();
      };
      const zoom = (factor) => { stage.camera.half = Math.min(400, Math.max(2, stage.camera.half * factor)); redraw(); };
      const down = (e) => { held = { x: e.clientX, y: e.clientY, moved: 0, pan: e.button !== 0 || e.shiftKey }; canvas.value.setPointerCapture(e.pointerId); };
      const move = (e) => {
        if (!held || !stage) return;
        const dx = e.clientX - held.x, dy = e.clientY - held.y;
        held.moved += Math.abs(dx) + Math.abs(dy); held.x = e.clientX; held.y = e.clientY;
        if (held.pan) shift(dx, dy); else turn(dx * 0.008, dy * 0.008);
      };
      const up = (e) => {
        const was = held; held = null;
        if (!was || was.moved > 4 || !ui.pick || !stage) return;
        const box = canvas.value.getBoundingClientRect();
        const ray = stage.ray(e.clientX - box.left, e.clientY - box.top);
        trame.trigger("pick", [ui.pick, ray.origin, ray.direction]);
      };
      const wheel = (e) => { if (stage) zoom(Math.exp(0.0012 * e.deltaY)); };
      const key = (e) => {
        if (!stage || e.ctrlKey || e.metaKey || e.altKey) return;
        const keys = { ArrowLeft: () => turn(-0.08, 0), ArrowRight: () => turn(0.08, 0), ArrowUp: () => turn(0, -0.08),
          ArrowDown: () => turn(0, 0.08), "+": () => zoom(0.9), "=": () => zoom(0.9), "-": () => zoom(1.1), Home: () => aim(ui.view) };
        if (keys[e.key]) { keys[e.key](); e.preventDefault(); }
      };
      const picture = () => { // the stage with its labels, scale and caution as one PNG
        stage.moving = false; stage.draw();
        const c = stage.canvas, k = c.width / c.clientWidth, foot = 76 * k, out = document.createElement("canvas");
        out.width = c.width; out.height = c.height + foot;
        const g = out.getContext("2d"), style = getComputedStyle(document.documentElement);
        const colour = (role) => style.getPropertyValue("--" + (role === "tooth" ? "ink" : role)).trim();
        g.fillStyle = colour("page"); g.fillRect(0, 0, out.width, out.height); g.drawImage(c, 0, 0);
        g.textBaseline = "middle"; g.lineJoin = "round";
        const leads = new Path2D();
        leads.addPath(new Path2D(stage.leaders.getAttribute("d") || ""), new DOMMatrix([k, 0, 0, k, 0, 0]));
        g.strokeStyle = colour("quiet"); g.lineWidth = k; g.stroke(leads);
        for (const l of stage.visibleLabels()) {
          g.font = `${l.worst ? "600 " : ""}${13 * k}px sans-serif`; g.lineWidth = 3.5 * k; g.strokeStyle = colour("halo"); g.fillStyle = colour(l.role);
          g.strokeText(l.text, l.tx * k, l.ty * k); g.fillText(l.text, l.tx * k, l.ty * k);
        }
        g.font = `${13 * k}px sans-serif`; g.fillStyle = colour("quiet");
        const f = stage.frame, low = c.height - 14 * k;
        g.fillText(f.left, 12 * k, low); g.textAlign = "right"; g.fillText(f.right, c.width - 12 * k, low); g.textAlign = "center";
        g.fillText(`${f.bar} mm`, c.width / 2, low); g.fillRect((c.width - f.px * k) / 2, low + 10 * k, f.px * k, 2 * k); g.textAlign = "left";
        g.fillStyle = colour("ink");
        const lines = [...(props.about.lines || [])];
        if (ui.layers.map) lines[1] = `High/open map: open −${props.scene.limit_um} µm (green) to high +${props.scene.limit_um} µm (magenta). ` + lines[1];
        if (stage.away) lines[1] = `Both lowers moved from the target: ${ui.way.kind.replace("_", " ")}, pose ${ui.way.step} of ${props.ways.moves[ui.way.kind].length - 1}; the articulator's differs ×${props.scene.factor}.`;
        lines.forEach((t, i) => g.fillText(t, 12 * k, c.height + (14 + 20 * i) * k, out.width - 24 * k));
        out.toBlob((blob) => {
          const url = URL.createObjectURL(blob);
          ui.download(url, props.about.file + ".png");
          setTimeout(() => URL.revokeObjectURL(url), 60000); // the browser has it by then
        }, "image/png");
      };
      onMounted(() => {
        try { stage = new Stage(canvas.value, overlay.value, leaders.value); }
        catch (error) { ui.gl = false; ui.glWhy = String(error.message || error); return; }
        window.hingewiseView = stage;
        ui.picture = picture;
        stage.onframe = (f) => Object.assign(ui.frame, f);
        stage.readColours(); stage.setTable(props.table || []);
        observer = new ResizeObserver(() => { if (stage.resize()) redraw(); });
        observer.observe(canvas.value);
        take(); load();
      });
      onBeforeUnmount(() => { if (observer) observer.disconnect(); stage = null; });
      watch(() => [props.scene, props.later], take);
      watch(() => props.rev, load);
      watch(() => [ui.way.kind, ui.way.step], redraw);
      watch(() => [props.ways.rev, props.current], () => {
        const kinds = Object.keys(props.ways.moves);
        ui.way.step = 0;
        if (kinds.length && !kinds.includes(ui.way.kind)) ui.way.kind = kinds[0];
      });
      watch(() => [ui.tab, ui.pick, ui.way.kind, props.ways, props.current], () => { trace(); redraw(); });
      watch(() => [ui.layers, ui.through], redraw, { deep: true });
      watch(() => ui.fitted, () => aim(ui.view));
      watch(() => ui.theme, () => { if (stage) { requestAnimationFrame(() => { stage.readColours(); redraw(); }); } });
      return { canvas, overlay, leaders, down, move, up, wheel, key, ui };
    },
    template: `<div class="stage" :class="{ picking: ui.pick }">
      <canvas ref="canvas" tabindex="0" role="img" v-show="ui.gl"
        aria-label="Casts and axes. Arrow keys turn, plus and minus zoom, Home fits."
        @pointerdown="down" @pointermove="move" @pointerup="up" @pointercancel="up" @wheel.prevent="wheel"
        @contextmenu.prevent @keydown="key"></canvas>
      <svg class="leaders" aria-hidden="true"><path ref="leaders"/></svg><div class="names" ref="overlay" aria-hidden="true"></div>
      <div class="edges" aria-hidden="true" v-if="ui.gl"><span>{{ ui.frame.left }}</span><span class="bar10"><i :style="{ width: ui.frame.px + 'px' }"></i>{{ ui.frame.bar }} mm</span><span>{{ ui.frame.right }}</span></div>
      <p v-if="!ui.gl" class="nogl">The casts cannot be drawn: this browser gives no WebGL 2 ({{ ui.glWhy }}).
        All numbers and diagrams go on; another browser, or hardware acceleration, brings the picture.</p></div>`,
  };

  window.hingewise = {
    install(app) {
      app.component("hw-number", HwNumber);
      app.component("hw-stage", HwStage);
      app.component("hw-gone", HwGone);
      app.config.globalProperties.ui = ui;
      document.addEventListener("keydown", (e) => {
        const trame = app._context.provides.trame, tag = (e.target.tagName || "").toLowerCase();
        const typing = (tag === "input" && e.target.type !== "range" && e.target.type !== "checkbox") || tag === "select";
        const control = e.ctrlKey || e.metaKey, letter = e.key.toLowerCase();
        if (control && !typing && letter === "z") { e.preventDefault(); trame.trigger(e.shiftKey ? "redo" : "undo", []); return; }
        if (control && !typing && letter === "y") { e.preventDefault(); trame.trigger("redo", []); return; }
        if (e.key === "Escape") { ui.panel = ""; ui.pick = ""; return; }
        if (control || e.altKey || typing) return;
        const views = { 1: "oblique", 2: "left", 3: "front", 4: "occlusal" };
        if (views[e.key]) ui.look(views[e.key]);
        else if (letter === "m") ui.layers.map = !ui.layers.map;
        else if (letter === "g") ui.layers.ghost = !ui.layers.ghost;
        else if (letter === "l") ui.swap();
        else if (e.key === "?") ui.panel = ui.panel === "keys" ? "" : "keys";
      });
    },
  };
})();
