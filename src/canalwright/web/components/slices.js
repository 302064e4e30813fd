// Three linked slices through a volume, drawn in the browser from the voxels themselves.
// Volume indices are i (x), j (y), k (z); the server sends 12-bit values, x fastest.

const PANES = [
  { key: "axial", across: 0, down: 1, through: 2, flip: false, color: "#e8a33d" },
  { key: "coronal", across: 0, down: 2, through: 1, flip: true, color: "#62b6e0" },
  { key: "sagittal", across: 1, down: 2, through: 0, flip: true, color: "#d98bc0" },
];
const NEAR_MM = 0.4;
const HANDLE_PX = 7;

export default {
  template: `
    <div class="slices">
      <div v-for="pane in panes" :key="pane.key" class="slice-pane">
        <canvas :ref="pane.key" tabindex="0" role="application" :aria-label="label(pane)"
          aria-roledescription="slice through the scan"
          @pointerdown="press($event, pane)" @pointermove="move($event, pane)"
          @pointerup="release($event, pane)" @pointercancel="release($event, pane)"
          @wheel.prevent="wheel($event, pane)" @keydown="key($event, pane)"
          @focus="focused = pane.key" @contextmenu.prevent @dblclick="fit"></canvas>
      </div>
      <p class="slice-status" role="status">{{ status }}</p>
    </div>`,
  props: { source: String, meta: Object, canals: Array, points: Array, tool: String, words: Object },
  data() {
    return { panes: PANES, cursor: [0, 0, 0], zoom: 1, pan: {}, low: 0, high: 4095, focused: "", status: "" };
  },
  created() {
    this.voxels = null;
    this.drag = null;
    this.held = null;
    this.frame = 0;
    this.offscreen = {};
  },
  async mounted() {
    this.resizer = new ResizeObserver(() => this.redraw());
    for (const pane of PANES) this.resizer.observe(this.canvas(pane));
    document.addEventListener("keydown", this.back);
    await this.load();
  },
  beforeUnmount() {
    this.resizer?.disconnect();
    document.removeEventListener("keydown", this.back);
    cancelAnimationFrame(this.frame);
  },
  watch: {
    source() { this.load(); },
    canals() { this.held = null; this.redraw(); },
    points() { this.redraw(); },
    tool() { this.redraw(); },
  },
  methods: {
    async load() {
      this.voxels = null;
      this.status = this.words.loading;
      this.redraw();
      if (!this.source) return;
      const wanted = this.source;
      const answer = await fetch(wanted);
      if (!answer.ok) { this.status = this.words.failed; return; }
      const bytes = await answer.arrayBuffer();
      if (wanted !== this.source) return;
      this.voxels = new Uint16Array(bytes);
      this.low = this.meta.window[0];
      this.high = this.meta.window[1];
      this.cursor = this.meta.size.map((n) => (n - 1) / 2);
      this.pan = {};
      this.zoom = 1;
      this.status = "";
      this.redraw();
      this.$emit("ready", {});
    },
    canvas(pane) { const found = this.$refs[pane.key]; return Array.isArray(found) ? found[0] : found; },
    redraw() {
      cancelAnimationFrame(this.frame);
      this.frame = requestAnimationFrame(() => { for (const pane of PANES) this.paint(pane); });
    },
    label(pane) {
      const at = this.toMm(this.cursor).map((v) => v.toFixed(2)).join(", ");
      return `${this.words[pane.key]}; ${this.words.position} ${at} mm. ${this.words.keys}`;
    },

    // Geometry -------------------------------------------------------------------------------
    toMm(index) {
      const { origin, matrix } = this.meta;
      return [0, 1, 2].map((row) => origin[row] + matrix[row].reduce((sum, v, axis) => sum + v * index[axis], 0));
    },
    toIndex(mm) {
      const { origin, inverse } = this.meta;
      const off = mm.map((v, axis) => v - origin[axis]);
      return [0, 1, 2].map((row) => inverse[row].reduce((sum, v, axis) => sum + v * off[axis], 0));
    },
    pxPerMm() {
      // One scale for all panes, so that lengths compare by eye.
      const { size, spacing } = this.meta;
      let scale = Infinity;
      for (const pane of PANES) {
        const canvas = this.canvas(pane);
        scale = Math.min(scale, canvas.clientWidth / (size[pane.across] * spacing[pane.across]),
          canvas.clientHeight / (size[pane.down] * spacing[pane.down]));
      }
      return scale * this.zoom;
    },
    layout(pane) {
      const canvas = this.canvas(pane);
      const { size, spacing } = this.meta;
      const scale = this.pxPerMm();
      const width = size[pane.across] * spacing[pane.across] * scale;
      const height = size[pane.down] * spacing[pane.down] * scale;
      const [dx, dy] = this.pan[pane.key] || [0, 0];
      return { left: (canvas.clientWidth - width) / 2 + dx, top: (canvas.clientHeight - height) / 2 + dy, width, height };
    },
    toPx(pane, index) {
      const box = this.layout(pane);
      const { size } = this.meta;
      const u = (index[pane.across] + 0.5) / size[pane.across];
      let v = (index[pane.down] + 0.5) / size[pane.down];
      if (pane.flip) v = 1 - v;
      return [box.left + u * box.width, box.top + v * box.height];
    },
    fromPx(pane, x, y) {
      const box = this.layout(pane);
      const { size } = this.meta;
      const index = [...this.cursor];
      let v = (y - box.top) / box.height;
      if (pane.flip) v = 1 - v;
      index[pane.across] = ((x - box.left) / box.width) * size[pane.across] - 0.5;
      index[pane.down] = v * size[pane.down] - 0.5;
      return this.inside(index);
    },
    inside(index) { return index.map((v, axis) => Math.min(Math.max(v, 0), this.meta.size[axis] - 1)); },

    // Painting -------------------------------------------------------------------------------
    paint(pane) {
      const canvas = this.canvas(pane);
      if (!canvas || !canvas.clientWidth) return;
      const ratio = window.devicePixelRatio || 1;
      canvas.width = Math.round(canvas.clientWidth * ratio);
      canvas.height = Math.round(canvas.clientHeight * ratio);
      const g = canvas.getContext("2d");
      g.setTransform(ratio, 0, 0, ratio, 0, 0);
      g.fillStyle = "#0d0f0e";
      g.fillRect(0, 0, canvas.clientWidth, canvas.clientHeight);
      if (!this.voxels) return;
      this.paintVoxels(pane, g);
      this.paintCursor(pane, g);
      for (const canal of this.canals || []) this.paintCanal(pane, g, canal);
      for (const point of this.points || []) this.paintPoint(pane, g, point);
      this.paintScale(g, canvas);
      this.paintLetters(pane, g, canvas);
    },
    paintVoxels(pane, g) {
      const picture = this.slice(pane);
      const box = this.layout(pane);
      g.imageSmoothingEnabled = true;
      g.imageSmoothingQuality = "high";
      g.drawImage(picture, box.left, box.top, box.width, box.height);
    },
    slice(pane) {
      const { size } = this.meta;
      const strides = [1, size[0], size[0] * size[1]];
      const [width, height] = [size[pane.across], size[pane.down]];
      const held = this.offscreen[pane.key] ||= document.createElement("canvas");
      if (held.width !== width || held.height !== height) { held.width = width; held.height = height; }
      const g = held.getContext("2d");
      const image = g.createImageData(width, height);
      const out = new Uint32Array(image.data.buffer);
      const base = Math.round(this.cursor[pane.through]) * strides[pane.through];
      const gain = 255 / Math.max(this.high - this.low, 1);
      for (let row = 0; row < height; row++) {
        const at = pane.flip ? height - 1 - row : row;
        let from = base + at * strides[pane.down];
        const step = strides[pane.across];
        for (let column = 0, to = row * width; column < width; column++, to++, from += step) {
          let gray = (this.voxels[from] - this.low) * gain;
          gray = gray < 0 ? 0 : gray > 255 ? 255 : gray | 0;
          out[to] = 0xff000000 | (gray << 16) | (gray << 8) | gray;
        }
      }
      g.putImageData(image, 0, 0);
      return held;
    },
    paintCursor(pane, g) {
      const [x, y] = this.toPx(pane, this.cursor);
      const canvas = this.canvas(pane);
      const other = (axis) => PANES.find((p) => p.through === axis).color;
      this.line(g, x, 0, x, y - 14, other(pane.across));
      this.line(g, x, y + 14, x, canvas.clientHeight, other(pane.across));
      this.line(g, 0, y, x - 14, y, other(pane.down));
      this.line(g, x + 14, y, canvas.clientWidth, y, other(pane.down));
    },
    line(g, x0, y0, x1, y1, color) {
      g.strokeStyle = color;
      g.globalAlpha = 0.75;
      g.lineWidth = 1;
      g.beginPath(); g.moveTo(x0, y0); g.lineTo(x1, y1); g.stroke();
      g.globalAlpha = 1;
    },
    paintCanal(pane, g, canal) {
      const near = NEAR_MM / this.meta.spacing[pane.through];
      const indices = canal.line.map((mm) => this.toIndex(mm));
      g.lineWidth = 2;
      for (let at = 1; at < indices.length; at++) {
        const away = Math.abs(indices[at][pane.through] - this.cursor[pane.through]);
        g.globalAlpha = away <= near ? 1 : 0.3;
        g.strokeStyle = canal.color;
        g.beginPath(); g.moveTo(...this.toPx(pane, indices[at - 1])); g.lineTo(...this.toPx(pane, indices[at])); g.stroke();
      }
      g.globalAlpha = 1;
      for (const handle of canal.handles || []) {
        const index = this.toIndex(handle.mm);
        const [x, y] = this.toPx(pane, index);
        g.globalAlpha = Math.abs(index[pane.through] - this.cursor[pane.through]) <= 4 * near ? 1 : 0.3;
        g.fillStyle = canal.color; g.strokeStyle = "#0d0f0e"; g.lineWidth = 1.5;
        g.beginPath(); g.arc(x, y, 4, 0, 2 * Math.PI); g.fill(); g.stroke();
      }
      g.globalAlpha = 1;
      this.paintName(pane, g, canal, indices, near);
    },
    paintName(pane, g, canal, indices, near) {
      // Beside the point of the canal that lies in this slice, if one does.
      const away = indices.map((index) => Math.abs(index[pane.through] - this.cursor[pane.through]));
      const nearest = away.indexOf(Math.min(...away));
      if (away[nearest] > 4 * near) return;
      const [x, y] = this.toPx(pane, indices[nearest]);
      this.text(g, canal.name, x + 9, y - 7, canal.color);
    },
    paintPoint(pane, g, point) {
      const [x, y] = this.toPx(pane, this.toIndex(point.mm));
      g.strokeStyle = "#0d0f0e"; g.lineWidth = 5; this.mark(g, point.kind, x, y);
      g.strokeStyle = "#ffffff"; g.lineWidth = 2; this.mark(g, point.kind, x, y);
      this.text(g, point.label, x + 10, y + 14, "#ffffff");
    },
    mark(g, kind, x, y) {
      g.beginPath();
      if (kind === "orifice") g.arc(x, y, 6, 0, 2 * Math.PI);
      else { g.moveTo(x - 6, y - 5); g.lineTo(x + 6, y - 5); g.lineTo(x, y + 6); g.closePath(); }
      g.stroke();
    },
    text(g, words, x, y, color) {
      g.font = '13px "DejaVu Sans", sans-serif';
      g.lineJoin = "round"; g.lineWidth = 3; g.strokeStyle = "#0d0f0e"; g.strokeText(words, x, y);
      g.fillStyle = color; g.fillText(words, x, y);
    },
    paintScale(g, canvas) {
      const scale = this.pxPerMm();
      const wanted = [0.5, 1, 2, 5, 10, 20, 50].filter((mm) => mm * scale < canvas.clientWidth * 0.4).pop() || 0.5;
      const [x, y] = [12, canvas.clientHeight - 14];
      g.strokeStyle = "#0d0f0e"; g.lineWidth = 5; this.bar(g, x, y, wanted * scale);
      g.strokeStyle = "#ffffff"; g.lineWidth = 2; this.bar(g, x, y, wanted * scale);
      this.text(g, `${wanted} mm`, x + 4, y - 8, "#ffffff");
    },
    bar(g, x, y, length) {
      g.beginPath(); g.moveTo(x, y - 4); g.lineTo(x, y + 4); g.moveTo(x, y); g.lineTo(x + length, y);
      g.moveTo(x + length, y - 4); g.lineTo(x + length, y + 4); g.stroke();
    },
    paintLetters(pane, g, canvas) {
      const [width, height] = [canvas.clientWidth, canvas.clientHeight];
      const ends = this.meta.ends;
      const [top, bottom] = pane.flip ? [1, 0] : [0, 1];
      this.text(g, ends[pane.across][0], 6, height / 2, "#ffffff");
      this.text(g, ends[pane.across][1], width - 8 - g.measureText(ends[pane.across][1]).width, height / 2, "#ffffff");
      this.text(g, ends[pane.down][top], width / 2, 16, "#ffffff");
      this.text(g, ends[pane.down][bottom], width / 2, height - 8, "#ffffff");
      const at = `${Math.round(this.cursor[pane.through]) + 1}/${this.meta.size[pane.through]}`;
      this.text(g, `${this.words[pane.key]} · ${this.words.slice} ${at}`, 8, 18, pane.color);
    },

    // Hands ----------------------------------------------------------------------------------
    press(event, pane) {
      if (!this.voxels) return;
      const canvas = this.canvas(pane);
      canvas.focus();
      canvas.setPointerCapture(event.pointerId);
      const at = [event.offsetX, event.offsetY];
      const handle = event.button === 0 && !this.tool ? this.handleAt(pane, at) : null;
      const kind = handle ? "handle" : event.button === 2 || event.shiftKey ? "window" : event.button === 1 ? "pan" : "cursor";
      this.drag = { kind, pane, from: at, low: this.low, high: this.high, pan: this.pan[pane.key] || [0, 0], handle };
      if (kind === "cursor") this.moveCursor(this.fromPx(pane, ...at));
    },
    move(event, pane) {
      const drag = this.drag;
      if (!drag || drag.pane !== pane) return;
      const [dx, dy] = [event.offsetX - drag.from[0], event.offsetY - drag.from[1]];
      if (drag.kind === "cursor") this.moveCursor(this.fromPx(pane, event.offsetX, event.offsetY));
      else if (drag.kind === "pan") { this.pan = { ...this.pan, [pane.key]: [drag.pan[0] + dx, drag.pan[1] + dy] }; this.redraw(); }
      else if (drag.kind === "window") this.setWindow((drag.low + drag.high) / 2 - dy * 6, drag.high - drag.low + dx * 6);
      else this.moveHandle(pane, drag.handle, event);
    },
    release(event, pane) {
      const drag = this.drag;
      this.drag = null;
      if (!drag || drag.pane !== pane) return;
      if (drag.kind === "handle") this.$emit("dragged", { canal: drag.handle.canal.name, level: drag.handle.handle.level, mm: drag.handle.handle.mm });
      else if (drag.kind === "cursor") { if (this.tool) this.place(); else this.tell(); }
    },
    handleAt(pane, [x, y]) {
      for (const canal of this.canals || []) for (const handle of canal.handles || []) {
        const [hx, hy] = this.toPx(pane, this.toIndex(handle.mm));
        if (Math.hypot(hx - x, hy - y) <= HANDLE_PX) return { canal, handle, start: handle.mm };
      }
      return null;
    },
    moveHandle(pane, held, event) {
      const index = this.toIndex(held.start);
      const to = this.fromPx(pane, event.offsetX, event.offsetY);
      index[pane.across] = to[pane.across];
      index[pane.down] = to[pane.down];
      held.handle.mm = this.toMm(index);
      this.redraw();
    },
    // Points of centerlines by keys: taken one after another, moved like the cursor, dropped.
    take(by) {
      const all = (this.canals || []).flatMap((canal) => (canal.handles || []).map((handle) => ({ canal, handle })));
      if (!all.length) return;
      const at = this.held ? all.findIndex((one) => one.handle === this.held.handle) : by > 0 ? -1 : 0;
      this.letGo();
      const one = all[(at + by + all.length) % all.length];
      this.held = { ...one, start: one.handle.mm };
      this.goTo(one.handle.mm);
      this.status = `${one.canal.name}, ${this.words.level} ${one.handle.level.toFixed(1)} mm: ${this.words.held}`;
    },
    letGo() {
      if (this.held) this.held.handle.mm = this.held.start;
      this.held = null;
      this.status = "";
      this.redraw();
    },
    drop() {
      const { canal, handle } = this.held;
      this.held = null;
      this.status = "";
      this.$emit("dragged", { canal: canal.name, level: handle.level, mm: handle.mm });
    },
    back(event) {
      // The browser would undo what was last typed in a field, wherever the focus is.
      if (!(event.ctrlKey || event.metaKey) || event.target.closest?.("input, textarea, select")) return;
      const name = event.key.toLowerCase();
      if (name !== "z" && name !== "y") return;
      event.preventDefault();
      this.$emit(name === "z" && !event.shiftKey ? "undone" : "redone", {});
    },
    place() { this.$emit("placed", { tool: this.tool, mm: this.toMm(this.cursor) }); },
    tell() { this.$emit("cursor", { mm: this.toMm(this.cursor) }); },
    moveCursor(index) {
      this.cursor = this.inside(index);
      this.redraw();
    },
    setWindow(center, width) {
      const half = Math.max(width, 8) / 2;
      this.low = center - half;
      this.high = center + half;
      this.status = `${this.words.window} ${Math.round(2 * half)} / ${this.words.level} ${Math.round(center)}`;
      this.redraw();
    },
    wheel(event, pane) {
      if (!this.voxels) return;
      if (event.ctrlKey) { this.magnify(event.deltaY < 0 ? 1.15 : 1 / 1.15); return; }
      this.scroll(pane, event.deltaY > 0 ? -1 : 1);
    },
    scroll(pane, by) {
      const index = [...this.cursor];
      index[pane.through] = Math.round(index[pane.through]) + by;
      this.moveCursor(index);
    },
    magnify(by) { this.zoom = Math.min(Math.max(this.zoom * by, 0.5), 24); this.centerOnCursor(); },
    centerOnCursor() {
      // What is looked at stays in sight.
      this.pan = {};
      if (this.zoom > 1) for (const pane of PANES) {
        const canvas = this.canvas(pane);
        const [x, y] = this.toPx(pane, this.cursor);
        this.pan[pane.key] = [canvas.clientWidth / 2 - x, canvas.clientHeight / 2 - y];
      }
      this.redraw();
    },
    fit() { this.zoom = 1; this.pan = {}; this.redraw(); },
    goTo(mm) { if (this.voxels) { this.moveCursor(this.toIndex(mm)); if (this.zoom > 1) this.centerOnCursor(); } },
    key(event, pane) {
      if (!this.voxels || event.ctrlKey || event.metaKey) return;
      const steps = { ArrowLeft: [pane.across, -1], ArrowRight: [pane.across, 1],
        ArrowUp: [pane.down, pane.flip ? 1 : -1], ArrowDown: [pane.down, pane.flip ? -1 : 1],
        PageUp: [pane.through, 1], PageDown: [pane.through, -1] };
      const many = event.shiftKey ? 10 : 1;
      if (event.key in steps) {
        const index = [...this.cursor];
        index[steps[event.key][0]] += many * steps[event.key][1];
        this.moveCursor(index);
        if (this.held) this.held.handle.mm = this.toMm(this.cursor);
        this.tell();
      } else if (event.key === "Enter" && this.held) this.drop();
      else if (event.key === "Enter" && this.tool) this.place();
      else if (event.key === "n" || event.key === "p") this.take(event.key === "n" ? 1 : -1);
      else if (event.key === "Escape" && this.held) this.letGo();
      else if (event.key === "+" || event.key === "=") this.magnify(1.25);
      else if (event.key === "-") this.magnify(0.8);
      else if (event.key === "0") this.fit();
      else if (event.key === "[") this.setWindow((this.low + this.high) / 2 - 60, this.high - this.low);
      else if (event.key === "]") this.setWindow((this.low + this.high) / 2 + 60, this.high - this.low);
      else return;
      event.preventDefault();
    },
  },
};
