// A tooth, its canal and an instrument in space. Drawn only when something changed.
import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide, FrontSide, Group, Mesh,
  MeshStandardMaterial, OrthographicCamera, Scene, SphereGeometry, Vector3, WebGLRenderer,
} from "three";
import { OrbitControls } from "three/examples/jsm/controls/OrbitControls.js";

const TURN_RAD = Math.PI / 24;

/** Faces of a grid of points whose rows are rings, closed at both ends where asked for. */
function tube({ rows, cols, points, closed }) {
  const geometry = new BufferGeometry();
  const faces = [];
  for (let row = 0; row + 1 < rows; row++) for (let col = 0; col < cols; col++) {
    const next = (col + 1) % cols;
    const [a, b, c, d] = [row * cols + col, row * cols + next, (row + 1) * cols + col, (row + 1) * cols + next];
    faces.push(a, b, d, a, d, c);
  }
  const vertices = [...points];
  if (closed) for (const row of [0, rows - 1]) {
    const middle = vertices.length / 3;
    const center = [0, 0, 0];
    for (let col = 0; col < cols; col++) for (let axis = 0; axis < 3; axis++) center[axis] += points[3 * (row * cols + col) + axis] / cols;
    vertices.push(...center);
    for (let col = 0; col < cols; col++) {
      const [a, b] = [row * cols + col, row * cols + ((col + 1) % cols)];
      faces.push(middle, ...(row === 0 ? [b, a] : [a, b]));
    }
  }
  geometry.setAttribute("position", new BufferAttribute(new Float32Array(vertices), 3));
  geometry.setIndex(faces);
  geometry.computeVertexNormals();
  return geometry;
}

export class Space {
  constructor(canvas, onFrame) {
    this.canvas = canvas;
    this.onFrame = onFrame;
    this.renderer = new WebGLRenderer({ canvas, antialias: true, alpha: true });
    this.scene = new Scene();
    this.things = new Group();
    this.scene.add(this.things, new AmbientLight(0xffffff, 1.1));
    this.camera = new OrthographicCamera(-1, 1, 1, -1, -200, 400);
    this.camera.up.set(0, 0, 1);
    const light = new DirectionalLight(0xffffff, 2.2);
    light.position.set(-0.4, 0.6, 1);
    this.camera.add(light);
    this.scene.add(this.camera);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.enableDamping = false;
    this.controls.zoomToCursor = true;
    this.controls.addEventListener("change", () => this.draw());
    this.radius = 10;
    this.center = new Vector3();
  }

  show(meshes, marks, keepView) {
    this.clear();
    for (const mesh of meshes) {
      const material = new MeshStandardMaterial({
        color: new Color(mesh.color), roughness: 0.65, metalness: mesh.metal ? 0.55 : 0,
        transparent: mesh.opacity < 1, opacity: mesh.opacity, depthWrite: mesh.opacity >= 1,
        side: mesh.opacity < 1 ? FrontSide : DoubleSide,
      });
      const drawn = new Mesh(tube(mesh), material);
      drawn.renderOrder = mesh.opacity < 1 ? 2 : 1;
      this.things.add(drawn);
    }
    for (const mark of marks) {
      const ball = new Mesh(new SphereGeometry(mark.radius, 20, 12), new MeshStandardMaterial({ color: new Color(mark.color), depthTest: false, transparent: true, opacity: 0.95 }));
      ball.position.set(...mark.at);
      ball.renderOrder = 3;
      this.things.add(ball);
    }
    if (!keepView) this.fit(meshes);
    this.draw();
  }

  clear() {
    for (const thing of this.things.children) { thing.geometry.dispose(); thing.material.dispose(); }
    this.things.clear();
  }

  fit(meshes) {
    const low = new Vector3(Infinity, Infinity, Infinity);
    const high = new Vector3(-Infinity, -Infinity, -Infinity);
    for (const { points } of meshes) for (let at = 0; at < points.length; at += 3) {
      const point = new Vector3(points[at], points[at + 1], points[at + 2]);
      low.min(point);
      high.max(point);
    }
    this.center.addVectors(low, high).multiplyScalar(0.5);
    this.radius = Math.max(high.distanceTo(low) / 2, 1);
    this.controls.target.copy(this.center);
    this.camera.position.copy(this.center).add(new Vector3(0.35, -1, 0.18).normalize().multiplyScalar(60));
    this.camera.zoom = 1;
    this.resize();
    this.controls.update();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (!width || !height) return;
    this.renderer.setPixelRatio(window.devicePixelRatio || 1);
    this.renderer.setSize(width, height, false);
    const half = this.radius * 1.05;
    const [x, y] = width > height ? [half * (width / height), half] : [half, half * (height / width)];
    Object.assign(this.camera, { left: -x, right: x, top: y, bottom: -y });
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  get pxPerMm() { return (this.canvas.clientHeight / (this.camera.top - this.camera.bottom)) * this.camera.zoom; }

  turn(horizontal, vertical) {
    const off = this.camera.position.clone().sub(this.controls.target);
    off.applyAxisAngle(this.camera.up, horizontal * TURN_RAD);
    const side = new Vector3().crossVectors(this.camera.up, off).normalize();
    const tilted = off.clone().applyAxisAngle(side, vertical * TURN_RAD);
    if (Math.abs(tilted.clone().normalize().dot(this.camera.up)) < 0.995) off.copy(tilted);
    this.camera.position.copy(this.controls.target).add(off);
    this.controls.update();
    this.draw();
  }

  magnify(by) {
    this.camera.zoom = Math.min(Math.max(this.camera.zoom * by, 0.4), 60);
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    cancelAnimationFrame(this.frame);
    this.frame = requestAnimationFrame(() => { this.renderer.render(this.scene, this.camera); this.onFrame?.(this); });
  }

  dispose() {
    cancelAnimationFrame(this.frame);
    this.clear();
    this.controls.dispose();
    this.renderer.dispose();
  }
}
