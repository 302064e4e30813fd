// One radiograph with marks: a line of known length, the ends of a canal, points between, canals.
// Positions are pixels of the picture, the center of the upper left one at 0, 0.

const HANDLE_PX = 9;
const COLORS = { orifice: "#ffd166", terminus: "#ffd166", between: "#ffd166", ruler: "#7cc6fe" };

export default {
  template: `
    <div class="radiograph">
      <canvas ref="canvas" tabindex="0" role="application" :aria-label="label()"
        @pointerdown="press" @pointermove="move" @pointerup="release" @pointercancel="release"
        @wheel.prevent="wheel" @keydown="key" @contextmenu.prevent @dblclick.prevent></canvas>
      <p class="radiograph-status" role="status">{{ status }}</p>
    </div>`,
  props: { source: String, size: Array, marks: Array, lines: Array, scale: Number, tool: String, words: Object },
  data() { return { cursor: [0, 0], zoom: 1, pan: [0, 0], status: "", gain: 1, lift: 0 }; },
  created() { this.picture = null; this.shaded = null; this.drag = null; this.frame = 0; this.chosen = null; },
  mounted() {
    this.resizer = new ResizeObserver(() => this.redraw());
    this.resizer.observe(this.$refs.canvas);
    document.addEventListener("keydown", this.back);
    this.load();
  },
  beforeUnmount() {
    this.resizer?.disconnect();
    document.removeEventListener("keydown", this.back);
    cancelAnimationFrame(this.frame);
  },
  watch: {
    source() { this.load(); },
    marks() { this.chosen = null; this.redraw(); },
    lines() { this.redraw(); },
    scale() { this.redraw(); },
  },
  methods: {
    load() {
      const wanted = this.source;
      this.picture = null;
      this.status = this.words.loading;
      this.cursor = [this.size[0] / 2, this.size[1] / 2];
      const picture = new Image();
      picture.onload = () => {
        if (wanted !== this.source) return;
        this.picture = picture;
        this.shade();
        this.status = "";
        this.fit();
        this.$emit("ready", {});
      };
      picture.onerror = () => { this.status = this.words.failed; };
      picture.src = wanted;
    },
    redraw() {
      cancelAnimationFrame(this.frame);
      this.frame = requestAnimationFrame(() => this.paint());
    },
    label() {
      const [x, y] = this.cursor.map((v) => v.toFixed(1));
      return `${this.words.name}; ${this.words.position} ${x}, ${y} px. ${this.words.keys}`;
    },

    // Geometry: one screen pixel is 1 / perPx picture pixels.
    perPx() {
      const canvas = this.$refs.canvas;
      return this.zoom * Math.min(canvas.clientWidth / this.size[0], canvas.clientHeight / this.size[1]);
    },
    corner() {
      const canvas = this.$refs.canvas, per = this.perPx();
      return [(canvas.clientWidth - this.size[0] * per) / 2 + this.pan[0],
        (canvas.clientHeight - this.size[1] * per) / 2 + this.pan[1]];
    },
    toScreen([x, y]) {
      const per = this.perPx(), [left, top] = this.corner();
      return [left + (x + 0.5) * per, top + (y + 0.5) * per];
    },
    toPicture(x, y) {
      const per = this.perPx(), [left, top] = this.corner();
      return this.inside([(x - left) / per - 0.5, (y - top) / per - 0.5]);
    },
    inside([x, y]) {
      return [Math.min(Math.max(x, 0), this.size[0] - 1), Math.min(Math.max(y, 0), this.size[1] - 1)];
    },

    // Painting.
    paint() {
      const canvas = this.$refs.canvas;
      if (!canvas || !canvas.clientWidth) return;
      const ratio = window.devicePixelRatio || 1;
      canvas.width = Math.round(canvas.clientWidth * ratio);
      canvas.height = Math.round(canvas.clientHeight * ratio);
      const g = canvas.getContext("2d");
      g.setTransform(ratio, 0, 0, ratio, 0, 0);
      g.fillStyle = "#0d0f0e";
      g.fillRect(0, 0, canvas.clientWidth, canvas.clientHeight);
      if (!this.picture) return;
      const per = this.perPx(), [left, top] = this.corner();
      g.imageSmoothingEnabled = per < 4;
      g.drawImage(this.shaded || this.picture, left, top, this.size[0] * per, this.size[1] * per);
      this.paintWay(g);
      for (const line of this.lines || []) this.path(g, line.px, line.color, 2, []);
      this.paintRuler(g);
      for (const mark of this.marks || []) this.paintMark(g, mark);
      this.paintCursor(g);
      this.paintScale(g, canvas);
    },
    path(g, points, color, width, dash) {
      if (points.length < 2) return;
      const trace = () => { g.beginPath(); points.forEach((p, at) => { const s = this.toScreen(p); at ? g.lineTo(...s) : g.moveTo(...s); }); g.stroke(); };
      g.setLineDash(dash);
      g.strokeStyle = "#0d0f0ecc"; g.lineWidth = width + 2; trace();
      g.strokeStyle = color; g.lineWidth = width; trace();
      g.setLineDash([]);
    },
    paintWay(g) {
      if ((this.lines || []).length) return;
      const of = (kind) => (this.marks || []).filter((mark) => mark.kind === kind).map((mark) => mark.px);
      this.path(g, [...of("orifice"), ...of("between"), ...of("terminus")], COLORS.orifice, 1, [5, 5]);
    },
    paintRuler(g) {
      const ends = (this.marks || []).filter((mark) => mark.kind === "ruler").map((mark) => mark.px);
      this.path(g, ends, COLORS.ruler, 2, []);
      if (ends.length === 2) {
        const [a, b] = ends.map((end) => this.toScreen(end));
        this.text(g, this.words.ruler, (a[0] + b[0]) / 2 + 10, (a[1] + b[1]) / 2 - 6, COLORS.ruler);
      }
    },
    paintMark(g, mark) {
      const [x, y] = this.toScreen(mark.px);
      const held = this.chosen && this.chosen.kind === mark.kind && this.chosen.at === mark.at;
      const draw = () => {
        g.beginPath();
        if (mark.kind === "terminus") { g.moveTo(x - 7, y - 6); g.lineTo(x + 7, y - 6); g.lineTo(x, y + 7); g.closePath(); }
        else if (mark.kind === "ruler") { g.moveTo(x - 6, y); g.lineTo(x + 6, y); g.moveTo(x, y - 6); g.lineTo(x, y + 6); }
        else g.arc(x, y, mark.kind === "orifice" ? 7 : 4, 0, 2 * Math.PI);
        g.stroke();
      };
      g.strokeStyle = "#0d0f0e"; g.lineWidth = 5; draw();
      g.strokeStyle = held ? "#ffffff" : COLORS[mark.kind]; g.lineWidth = 2; draw();
      const name = { orifice: this.words.orifice, terminus: this.words.terminus }[mark.kind];
      if (name) this.text(g, name, x + 12, y + 5, COLORS[mark.kind]);
    },
    paintCursor(g) {
      if (document.activeElement !== this.$refs.canvas) return;
      const [x, y] = this.toScreen(this.cursor);
      g.strokeStyle = "#ffffff"; g.globalAlpha = 0.85; g.lineWidth = 1;
      g.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { g.moveTo(x + 5 * dx, y + 5 * dy); g.lineTo(x + 16 * dx, y + 16 * dy); }
      g.stroke();
      g.globalAlpha = 1;
    },
    paintScale(g, canvas) {
      const per = this.perPx();
      const mm = this.scale ? per / this.scale : 0;
      const steps = mm ? [0.5, 1, 2, 5, 10, 20, 50] : [10, 20, 50, 100, 200, 500, 1000];
      const unit = mm || per;
      const wanted = steps.filter((one) => one * unit < canvas.clientWidth * 0.35).pop() || steps[0];
      const [x, y, length] = [14, canvas.clientHeight - 16, wanted * unit];
      for (const [color, width] of [["#0d0f0e", 5], ["#ffffff", 2]]) {
        g.strokeStyle = color; g.lineWidth = width; g.beginPath();
        g.moveTo(x, y - 4); g.lineTo(x, y + 4); g.moveTo(x, y); g.lineTo(x + length, y);
        g.moveTo(x + length, y - 4); g.lineTo(x + length, y + 4); g.stroke();
      }
      this.text(g, `${wanted} ${mm ? "mm" : "px"}`, x + 4, y - 8, "#ffffff");
    },
    text(g, words, x, y, color) {
      g.font = '13px "DejaVu Sans", sans-serif';
      g.lineJoin = "round"; g.lineWidth = 3; g.strokeStyle = "#0d0f0e"; g.strokeText(words, x, y);
      g.fillStyle = color; g.fillText(words, x, y);
    },

    // Hands.
    press(event) {
      if (!this.picture) return;
      const canvas = this.$refs.canvas, at = [event.offsetX, event.offsetY];
      canvas.focus();
      canvas.setPointerCapture(event.pointerId);
      const mark = event.button === 0 && !event.shiftKey ? this.markAt(at) : null;
      const kind = mark ? "mark" : event.button !== 0 || event.shiftKey || !this.tool ? "pan" : "place";
      this.chosen = mark;
      this.drag = { kind, from: at, pan: [...this.pan], mark, start: mark ? [...mark.px] : null };
      this.cursor = mark ? [...mark.px] : this.toPicture(...at);
      this.redraw();
    },
    move(event) {
      const drag = this.drag;
      if (!drag) return;
      const by = [event.offsetX - drag.from[0], event.offsetY - drag.from[1]];
      // A hand that places a point trembles; one that means to move the picture goes farther.
      if (drag.kind === "place" && Math.hypot(...by) > 8) drag.kind = "pan";
      if (drag.kind === "pan") this.pan = [drag.pan[0] + by[0], drag.pan[1] + by[1]];
      else if (drag.kind === "mark") {
        const start = this.toScreen(drag.start);
        drag.mark.px = this.toPicture(start[0] + by[0], start[1] + by[1]);
        this.cursor = [...drag.mark.px];
      }
      this.redraw();
    },
    release(event) {
      const drag = this.drag;
      this.drag = null;
      if (!drag) return;
      if (drag.kind === "place") { this.cursor = this.toPicture(event.offsetX, event.offsetY); this.place(); }
      else if (drag.kind === "mark" && Math.hypot(drag.mark.px[0] - drag.start[0], drag.mark.px[1] - drag.start[1]) > 0.2) this.moved(drag.mark);
    },
    markAt([x, y]) {
      let found = null, least = HANDLE_PX;
      for (const mark of this.marks || []) {
        const [mx, my] = this.toScreen(mark.px);
        const away = Math.hypot(mx - x, my - y);
        if (away <= least) { found = mark; least = away; }
      }
      return found;
    },
    place() { this.$emit("placed", { tool: this.tool, px: this.cursor }); },
    moved(mark) { this.$emit("moved", { kind: mark.kind, at: mark.at, px: mark.px }); },
    wheel(event) {
      if (this.picture) this.magnify(event.deltaY < 0 ? 1.15 : 1 / 1.15, [event.offsetX, event.offsetY]);
    },
    magnify(by, around) {
      const canvas = this.$refs.canvas;
      const at = around || this.toScreen(this.cursor);
      const held = this.toPicture(...at);
      this.zoom = Math.min(Math.max(this.zoom * by, 0.5), 40);
      const now = this.toScreen(held);
      const want = around || [canvas.clientWidth / 2, canvas.clientHeight / 2];
      this.pan = [this.pan[0] + want[0] - now[0], this.pan[1] + want[1] - now[1]];
      this.redraw();
    },
    fit() { this.zoom = 1; this.pan = [0, 0]; this.redraw(); },
    goTo(px) { this.cursor = this.inside(px); this.redraw(); },
    next() {
      const marks = this.marks || [];
      if (!marks.length) return;
      const at = marks.findIndex((mark) => mark === this.chosen);
      this.chosen = marks[(at + 1) % marks.length];
      this.cursor = [...this.chosen.px];
      this.status = `${this.words[this.chosen.kind]} ${this.words.held}`;
      this.redraw();
    },
    step(dx, dy, far) {
      const by = far ? 10 : Math.min(1, 1 / this.perPx());
      this.cursor = this.inside([this.cursor[0] + dx * by, this.cursor[1] + dy * by]);
      if (this.chosen) this.chosen.px = [...this.cursor];
      this.redraw();
    },
    key(event) {
      if (!this.picture || event.ctrlKey || event.metaKey) return;
      const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      if (event.key in steps) this.step(...steps[event.key], event.shiftKey);
      else if (event.key === "Enter" && this.chosen) { const mark = this.chosen; this.chosen = null; this.status = ""; this.moved(mark); }
      else if (event.key === "Enter" && this.tool) this.place();
      else if (event.key === "m") this.next();
      else if (event.key === "Escape" && this.chosen) { this.chosen = null; this.status = ""; this.redraw(); }
      else if ((event.key === "Delete" || event.key === "Backspace") && this.chosen) this.$emit("removed", { kind: this.chosen.kind, at: this.chosen.at });
      else if (event.key === "+" || event.key === "=") this.magnify(1.25);
      else if (event.key === "-") this.magnify(0.8);
      else if (event.key === "0") this.fit();
      else if (event.key === "[" || event.key === "]") this.brighten(event.key === "]" ? 0.1 : -0.1, 0);
      else if (event.key === "{" || event.key === "}") this.brighten(0, event.key === "}" ? 0.15 : -0.15);
      else return;
      event.preventDefault();
    },
    shade() {
      // Once for every change, not at every painting.
      if (!this.lift && this.gain === 1) { this.shaded = null; return; }
      this.shaded = document.createElement("canvas");
      [this.shaded.width, this.shaded.height] = this.size;
      const g = this.shaded.getContext("2d");
      g.filter = `brightness(${1 + this.lift}) contrast(${this.gain})`;
      g.drawImage(this.picture, 0, 0);
    },
    back(event) {
      // The browser would undo what was last typed in a field, wherever the focus is.
      if (!(event.ctrlKey || event.metaKey) || event.target.closest?.("input, textarea, select")) return;
      const name = event.key.toLowerCase();
      if (name !== "z" && name !== "y") return;
      event.preventDefault();
      this.$emit(name === "z" && !event.shiftKey ? "undone" : "redone", {});
    },
    brighten(lift, gain) {
      this.lift = Math.min(Math.max(this.lift + lift, -0.8), 3);
      this.gain = Math.min(Math.max(this.gain + gain, 0.4), 4);
      this.shade();
      this.status = `${this.words.brightness} ${Math.round(100 * (1 + this.lift))} %, ${this.words.contrast} ${Math.round(100 * this.gain)} %`;
      this.redraw();
    },
  },
};
