// Parallel tracks against one vertical axis of levels, terminus at the bottom, with one cursor
// through all of them and an instrument that can be drawn deeper or higher by hand.

const HEAD = 78;
const FOOT = 30;
const AXIS = 52;
const GAP = 14;
const LEAST_SPAN_MM = 1;
const TELL_EVERY_MS = 45;
const FONT = '"DejaVu Sans", sans-serif';

const escape = (text) => String(text).replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c]);
const number = (value, digits) => (value === null || Number.isNaN(value) ? "–" : value.toFixed(digits));

export default {
  template: `
    <div class="tracks" ref="room">
      <svg ref="svg" tabindex="0" role="application" :aria-label="label()" :height="height" width="100%"
        @pointerdown="press" @pointermove="move" @pointerup="release" @pointercancel="release"
        @pointerleave="leave" @wheel="wheel" @dblclick="all" @keydown="key"></svg>
      <p class="unseen" role="status" aria-live="polite">{{ said }}</p>
    </div>`,
  props: { scene: String, shown: Array, height: { type: Number, default: 640 }, words: Object },
  data() { return { cursor: null, low: 0, high: 1, said: "", tip: null, title: "" }; },
  created() {
    this.now = Object.freeze(JSON.parse(this.scene));
    this.title = this.now.title;
    this.drag = null; this.frame = 0; this.told = 0; this.tops = {};
  },
  mounted() {
    this.all();
    this.resizer = new ResizeObserver(() => this.redraw());
    this.resizer.observe(this.$refs.room);
    this.dimmer = new MutationObserver(() => this.redraw());
    this.dimmer.observe(document.body, { attributes: true, attributeFilter: ["class"] });
  },
  beforeUnmount() { this.resizer?.disconnect(); this.dimmer?.disconnect(); cancelAnimationFrame(this.frame); },
  watch: {
    scene(text) { this.take(JSON.parse(text)); },
    shown() { this.redraw(); },
  },
  methods: {
    // What is shown --------------------------------------------------------------------------
    put(changed) { this.take({ ...this.now, ...changed }); },
    take(now) {
      const other = now.key !== this.now.key;
      this.now = Object.freeze(now);
      if (this.drag?.kind !== "instrument") this.tip = null;
      if (other) { this.tops = {}; this.all(); }
      this.title = now.title;
      this.redraw();
    },

    // Scales ---------------------------------------------------------------------------------
    all() {
      const levels = this.now.level;
      this.low = Math.min(0, this.tipLevel() ?? 0) - 0.6;
      this.high = levels[levels.length - 1] + 0.4;
      this.redraw();
    },
    tipLevel() { return this.tip ?? this.now.instrument?.tip ?? null; },
    y(level) { return HEAD + ((this.high - level) / (this.high - this.low)) * (this.height - HEAD - FOOT); },
    levelAt(y) { return this.high - ((y - HEAD) / (this.height - HEAD - FOOT)) * (this.high - this.low); },
    panels() {
      const width = this.$refs.room.clientWidth;
      const tracks = this.now.tracks.filter((t) => this.shown.includes(t.key));
      const scale = (this.height - HEAD - FOOT) / (this.now.level[this.now.level.length - 1] + 1);
      const picture = Math.min(Math.max(2 * this.now.reach * scale, 120), width * 0.34);
      const rest = (width - AXIS - picture - GAP) / Math.max(tracks.length, 1);
      return { width, picture: { left: AXIS, width: picture },
        tracks: tracks.map((track, at) => ({ track, left: AXIS + picture + GAP + at * rest, width: Math.max(rest - GAP, 30) })) };
    },

    // Drawing --------------------------------------------------------------------------------
    redraw() {
      cancelAnimationFrame(this.frame);
      this.frame = requestAnimationFrame(() => {
        if (!this.$refs.svg || !this.$refs.room.clientWidth) return;
        const panels = this.panels();
        this.$refs.svg.innerHTML = this.drawing(panels);
      });
    },
    colors() {
      return document.body.classList.contains("body--dark")
        ? { ink: "#eceae2", soft: "#b3b8b2", line: "#3c433f", sheet: "#1b201d", teal: "#7fd1c4", warn: "#ffb454", cut: "#4f8f86" }
        : { ink: "#1b1d1c", soft: "#4a4f4c", line: "#dcd9ce", sheet: "#ffffff", teal: "#0b5a55", warn: "#a34a00", cut: "#9ccac3" };
    },
    drawing(panels) {
      const c = this.colors();
      const parts = [`<defs>${this.clip("inner", 0, panels.width)}${this.clip("picture", panels.picture.left, panels.picture.width)}</defs>`];
      parts.push(this.axis(panels, c), this.picture(panels.picture, c));
      for (const panel of panels.tracks) parts.push(this.track(panel, c));
      parts.push(this.cursorLine(panels, c));
      return parts.join("");
    },
    clip(name, left, width) {
      return `<clipPath id="${name}"><rect x="${left}" y="${HEAD}" width="${width}" height="${this.height - HEAD - FOOT}"/></clipPath>`;
    },
    axis(panels, c) {
      const span = this.high - this.low;
      const step = [0.1, 0.2, 0.5, 1, 2, 5].find((s) => (s / span) * (this.height - HEAD - FOOT) > 26) || 5;
      const out = [`<text x="4" y="16" fill="${c.soft}" font-size="12" font-family='${FONT}'>${escape(this.words.level)}</text><text x="4" y="31" fill="${c.soft}" font-size="12" font-family='${FONT}'>mm</text>`];
      for (let at = Math.ceil(this.low / step); at * step <= this.high; at++) {
        const level = at * step;
        const y = this.y(level);
        const strong = Math.abs(level) < 1e-9;
        out.push(`<line x1="${AXIS - 6}" x2="${panels.width}" y1="${y}" y2="${y}" stroke="${strong ? c.soft : c.line}" stroke-width="${strong ? 1.2 : 1}"/>`);
        out.push(`<text x="${AXIS - 10}" y="${y + 4}" text-anchor="end" fill="${c.soft}" font-size="12" font-family='${FONT}'>${number(level, step < 1 ? 1 : 0)}</text>`);
      }
      return out.join("");
    },
    picture(panel, c) {
      const scene = this.now;
      const middle = panel.left + panel.width / 2;
      const scale = panel.width / (2 * scene.reach);
      const x = (mm) => middle + mm * scale;
      const out = [`<rect x="${panel.left}" y="${HEAD}" width="${panel.width}" height="${this.height - HEAD - FOOT}" fill="${scene.image ? "#0d0f0e" : c.sheet}" stroke="${c.line}"/>`, '<g clip-path="url(#picture)">'];
      if (scene.image) {
        const [low, high] = scene.image.levels;
        out.push(`<image href="${scene.image.source}" x="${x(-scene.image.reach)}" y="${this.y(high)}" width="${2 * scene.image.reach * scale}" height="${this.y(low) - this.y(high)}" preserveAspectRatio="none"/>`);
      }
      for (const outline of scene.outlines) {
        const left = scene.level.map((level, at) => `${x(-outline.left[at]).toFixed(1)},${this.y(level).toFixed(1)}`);
        const right = scene.level.map((level, at) => `${x(outline.right[at]).toFixed(1)},${this.y(level).toFixed(1)}`).reverse();
        out.push(`<polygon points="${[...left, ...right].join(" ")}" fill="${outline.fill || "none"}" fill-opacity="0.35" stroke="${outline.color}" stroke-width="1.6" ${outline.dash ? 'stroke-dasharray="5 3"' : ""}/>`);
      }
      if (scene.instrument) out.push(this.instrument(x, c));
      out.push("</g>");
      out.push(`<text x="${panel.left}" y="16" fill="${c.ink}" font-size="13" font-weight="700" font-family='${FONT}'>${escape(scene.title)}</text>`);
      scene.subtitle.split("\n").forEach((line, at) => out.push(`<text x="${panel.left}" y="${34 + 16 * at}" fill="${c.soft}" font-size="12" font-family='${FONT}'>${escape(line)}</text>`));
      const long = scale > 60 ? 0.5 : 1;
      const y = this.height - 10;
      out.push(`<path d="M${panel.left + 2} ${y - 4}v8m0 -4h${long * scale}m0 -4v8" stroke="${c.ink}" stroke-width="1.5" fill="none"/><text x="${panel.left + long * scale + 8}" y="${y + 4}" fill="${c.ink}" font-size="12" font-family='${FONT}'>${long} mm</text>`);
      return out.join("");
    },
    instrument(x, c) {
      const tool = this.now.instrument;
      const tip = this.tipLevel();
      const levels = tool.station.map((station) => tip + station);
      const left = levels.map((level, at) => `${x(tool.offset[at] - tool.radius[at]).toFixed(1)},${this.y(level).toFixed(1)}`);
      const right = levels.map((level, at) => `${x(tool.offset[at] + tool.radius[at]).toFixed(1)},${this.y(level).toFixed(1)}`).reverse();
      const y = this.y(tip);
      return `<polygon data-grip="1" pointer-events="all" points="${[...left, ...right].join(" ")}" fill="${tool.color}" fill-opacity="0.8" stroke="#111" stroke-width="1" style="cursor:ns-resize"/>`
        + `<path d="M${x(-this.now.reach)} ${y}h${x(this.now.reach) - x(-this.now.reach)}" stroke="${c.warn}" stroke-dasharray="3 3"/>`
        + `<text x="${x(-this.now.reach) + 4}" y="${y + 14}" fill="${this.now.image ? "#ffd28a" : c.warn}" ${this.now.image ? 'stroke="#0d0f0e" stroke-width="3" paint-order="stroke"' : ""} font-size="12" font-family='${FONT}'>${escape(this.words.tip)} ${number(tip, 1)} mm</text>`;
    },
    track(panel, c) {
      const { track, left, width } = panel;
      const [low, high] = this.range(track);
      const x = (value) => left + ((Math.min(Math.max(value, low), high) - low) / (high - low)) * width;
      const out = [`<rect x="${left}" y="${HEAD}" width="${width}" height="${this.height - HEAD - FOOT}" fill="none" stroke="${c.line}"/>`];
      out.push(`<text x="${left}" y="16" fill="${c.ink}" font-size="13" font-weight="700" font-family='${FONT}'>${escape(track.title)}</text>`);
      out.push(`<text x="${left}" y="${HEAD - 5}" fill="${c.soft}" font-size="11" font-family='${FONT}'>${number(low, track.digits > 2 ? 2 : track.digits)}</text>`);
      out.push(`<text x="${left + width}" y="${HEAD - 5}" text-anchor="end" fill="${c.soft}" font-size="11" font-family='${FONT}'>${number(high, track.digits > 2 ? 2 : track.digits)} ${escape(track.unit)}</text>`);
      if (track.limit !== null && track.limit !== undefined && track.limit > low && track.limit < high) {
        out.push(`<line x1="${x(track.limit)}" x2="${x(track.limit)}" y1="${HEAD}" y2="${this.height - FOOT}" stroke="${c.warn}" stroke-width="1.5" stroke-dasharray="6 3"/><text x="${x(track.limit)}" y="${this.height - FOOT + 14}" text-anchor="middle" fill="${c.warn}" font-size="11" font-family='${FONT}'>${escape(this.words.limit)} ${number(track.limit, track.digits)}</text>`);
      }
      out.push('<g clip-path="url(#inner)">');
      for (const one of track.series) out.push(this.series(one, x, c));
      out.push("</g>");
      return out.join("");
    },
    range(track) {
      // An axis that shrinks under the hand would make every change look alike.
      const top = Math.max(track.range[1], this.tops[track.key] || 0);
      this.tops[track.key] = top;
      return [track.range[0], top];
    },
    series(one, x, c) {
      let path = "";
      let pen = "M";
      one.values.forEach((value, at) => {
        if (value === null) { pen = "M"; return; }
        path += `${pen}${x(value).toFixed(1)} ${this.y(this.now.level[at]).toFixed(1)}`;
        pen = "L";
      });
      return `<path d="${path}" fill="none" stroke="${one.color || c.teal}" stroke-width="${one.width || 2}" ${one.dash ? `stroke-dasharray="${one.dash}"` : ""}/>`;
    },
    cursorLine(panels, c) {
      if (this.cursor === null) return "";
      const y = this.y(this.cursor);
      const at = this.index(this.cursor);
      const out = [`<g pointer-events="none"><line x1="${AXIS - 6}" x2="${panels.width}" y1="${y}" y2="${y}" stroke="${c.ink}" stroke-width="1.2"/>`,
        `<rect x="0" y="${y - 10}" width="${AXIS - 6}" height="20" rx="2" fill="${c.ink}"/><text x="${AXIS - 11}" y="${y + 5}" text-anchor="end" fill="${c.sheet}" font-size="13" font-weight="700" font-family='${FONT}'>${number(this.cursor, 1)}</text></g>`];
      for (const panel of panels.tracks) {
        const values = panel.track.series.map((one) => number(one.values[at], panel.track.digits));
        out.push(`<text x="${panel.left}" y="40" fill="${c.teal}" font-size="16" font-weight="700" font-family='${FONT}'>${escape(values[values.length - 1])}<tspan fill="${c.soft}" font-weight="400" font-size="12"> ${escape(panel.track.unit)}</tspan></text>`);
      }
      return out.join("");
    },
    index(level) {
      const levels = this.now.level;
      const step = (levels[levels.length - 1] - levels[0]) / (levels.length - 1);
      return Math.min(Math.max(Math.round((level - levels[0]) / step), 0), levels.length - 1);
    },

    // Hands ----------------------------------------------------------------------------------
    press(event) {
      this.$refs.svg.setPointerCapture(event.pointerId);
      const grip = event.target.dataset?.grip && this.now.instrument?.movable;
      this.drag = { kind: grip ? "instrument" : event.shiftKey || event.button === 1 ? "pan" : "cursor", y: event.offsetY, low: this.low, high: this.high, tip: this.tipLevel() };
      if (this.drag.kind === "cursor") this.setCursor(this.levelAt(event.offsetY));
    },
    move(event) {
      if (!this.drag) { if (event.pointerType === "mouse") this.setCursor(this.levelAt(event.offsetY)); return; }
      const by = ((event.offsetY - this.drag.y) / (this.height - HEAD - FOOT)) * (this.drag.high - this.drag.low);
      if (this.drag.kind === "pan") { this.low = this.drag.low + by; this.high = this.drag.high + by; this.redraw(); }
      else if (this.drag.kind === "instrument") this.setTip(this.drag.tip - by, false);
      else this.setCursor(this.levelAt(event.offsetY));
    },
    release() {
      if (this.drag?.kind === "instrument") this.setTip(this.tip ?? this.drag.tip, true);
      this.drag = null;
    },
    leave() { if (!this.drag) this.tell(); },
    setTip(level, final) {
      const levels = this.now.level;
      this.tip = Math.round(Math.min(Math.max(level, -1), levels[levels.length - 1]) * 10) / 10;
      this.redraw();
      const now = performance.now();
      if (final || now - this.told > TELL_EVERY_MS) { this.told = now; this.$emit("depth", { level: this.tip, final }); }
    },
    setCursor(level) {
      const levels = this.now.level;
      this.cursor = Math.min(Math.max(level, levels[0]), levels[levels.length - 1]);
      this.redraw();
    },
    tell() {
      if (this.cursor === null) return;
      this.$emit("cursor", { level: this.cursor });
    },
    say() {
      const at = this.index(this.cursor);
      this.said = `${this.words.level} ${number(this.cursor, 1)} mm. ` + this.now.tracks.filter((t) => this.shown.includes(t.key))
        .map((t) => `${t.title} ${number(t.series[t.series.length - 1].values[at], t.digits)} ${t.unit}`).join(", ");
    },
    wheel(event) {
      if (!event.ctrlKey && !event.altKey) return;
      event.preventDefault();
      this.magnify(event.deltaY < 0 ? 0.85 : 1 / 0.85, this.levelAt(event.offsetY));
    },
    magnify(by, about) {
      const most = this.now.level[this.now.level.length - 1] + 2.5;
      const span = Math.min(Math.max((this.high - this.low) * by, LEAST_SPAN_MM), most);
      const share = (this.high - about) / (this.high - this.low);
      this.high = about + share * span;
      this.low = this.high - span;
      this.redraw();
    },
    key(event) {
      const step = event.shiftKey ? 1 : 0.1;
      const from = this.cursor ?? 3;
      if (event.key === "ArrowUp" || event.key === "ArrowDown") {
        const by = event.key === "ArrowUp" ? step : -step;
        if (event.altKey && this.now.instrument?.movable) this.setTip((this.tipLevel() ?? 0) + by, true);
        else { this.setCursor(from + by); this.tell(); this.say(); }
      } else if (event.key === "+" || event.key === "=") this.magnify(0.8, from);
      else if (event.key === "-") this.magnify(1.25, from);
      else if (event.key === "0") this.all();
      else return;
      event.preventDefault();
    },
    label() { return `${this.title}. ${this.words.keys}`; },
  },
};
