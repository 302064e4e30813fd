// The 3-D view: turns under the pointer, or with the keyboard.
import { Space } from "canalwright-space";

export default {
  template: `
    <div class="space">
      <canvas ref="canvas" tabindex="0" role="application" :aria-label="words.label" @keydown="key"></canvas>
      <div class="space-scale" aria-hidden="true"><span :style="{ width: bar.width + 'px' }"></span>{{ bar.text }}</div>
      <p v-if="trouble" class="space-trouble">{{ trouble }}</p>
    </div>`,
  props: { meshes: Array, marks: Array, view: String, words: Object },
  data() { return { bar: { width: 0, text: "" }, trouble: "" }; },
  mounted() {
    try {
      this.space = Object.freeze({ it: new Space(this.$refs.canvas, (space) => this.measure(space)) });
    } catch {
      this.trouble = this.words.trouble;
      return;
    }
    this.space.it.show(this.meshes, this.marks, false);
    this.seen = this.view;
    this.resizer = new ResizeObserver(() => this.space.it.resize());
    this.resizer.observe(this.$refs.canvas);
  },
  beforeUnmount() {
    this.resizer?.disconnect();
    this.space?.it.dispose();
  },
  watch: {
    meshes() { this.space?.it.show(this.meshes, this.marks, this.seen === this.view); this.seen = this.view; },
  },
  methods: {
    measure(space) {
      const long = [0.5, 1, 2, 5, 10].filter((mm) => mm * space.pxPerMm < 140).pop() || 0.5;
      this.bar = { width: long * space.pxPerMm, text: `${long} mm` };
    },
    key(event) {
      const turns = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      if (event.key in turns) this.space?.it.turn(...turns[event.key]);
      else if (event.key === "+" || event.key === "=") this.space?.it.magnify(1.2);
      else if (event.key === "-") this.space?.it.magnify(1 / 1.2);
      else if (event.key === "0") this.space?.it.show(this.meshes, this.marks, false);
      else return;
      event.preventDefault();
    },
  },
};
