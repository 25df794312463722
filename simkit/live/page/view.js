// The panel in three dimensions: exact normals, lamp lines reflected in the fragment shader.
// Plain WebGL 2; no library. Coordinates in mm; z is the outward direction.

const VERTEX = `#version 300 es
in vec3 place; in vec3 normal; in float deviation;
in vec3 place0; in vec3 normal0; in float deviation0;
uniform mat4 camera; uniform float mixing, depth;
out vec3 p, n;
void main() {
  p = mix(place0, place, mixing);
  n = normalize(mix(normal0, normal, mixing));
  float d = mix(deviation0, deviation, mixing);
  vec3 drawn = p + (depth - 1.0) * d * normalize(normal0);
  gl_Position = camera * vec4(drawn, 1.0);
}`;

// r = v - 2 (n.v) n meets the lamp board, a plane of parallel lines; as simkit.optics.reflect.
const FRAGMENT = `#version 300 es
precision highp float;
in vec3 p, n;
uniform vec3 eye, board, facing, across, paint;
uniform float spacing;
out vec4 colour;
void main() {
  vec3 m = normalize(n), v = normalize(p - eye);
  if (dot(m, v) > 0.0) { colour = vec4(0.25, 0.25, 0.27, 1.0); return; }
  vec3 r = v - 2.0 * dot(m, v) * m;
  float speed = dot(r, facing), reach = dot(board - p, facing) / speed;
  float phase = dot(p + reach * r - board, across) / spacing;
  float w = max(fwidth(phase), 1e-4);
  float tri = abs(fract(phase) - 0.5) * 2.0;
  float line = smoothstep(0.5 - w, 0.5 + w, tri);
  line = mix(line, 0.5, clamp((w - 0.35) * 2.0, 0.0, 1.0));
  if (reach <= 0.0) line = 0.0;
  float shade = 0.25 + 0.75 * max(dot(m, normalize(vec3(-0.3, 0.4, 0.85))), 0.0);
  float mirror = 0.25 + 0.65 * pow(1.0 - max(-dot(m, v), 0.0), 3.0);
  vec3 body = paint * shade;
  colour = vec4(mix(body, vec3(0.96), line * (0.45 + 0.5 * mirror)), 1.0);
}`;

const COARSEST = 3;

export class PanelView {
  constructor(canvas, rows, columns) {
    this.canvas = canvas;
    this.rows = rows; this.columns = columns; this.coarse = 1; this.slow = 0;
    this.turn = -0.35; this.tilt = 0.8; this.zoom = 1.0;
    this.options = { mixing: 1, depth: 1, spacing: 40, lamps: -28, sideways: false,
      paint: [0.125, 0.25, 0.416] };
    const gl = canvas.getContext("webgl2", { antialias: false, preserveDrawingBuffer: true });
    this.gl = gl;
    if (!gl) { canvas.setAttribute("data-failed", "no WebGL 2 in this browser"); return; }
    this.program = link(gl);
    this.arrays = gl.createVertexArray();
    gl.bindVertexArray(this.arrays);
    this.now = this.buffer(["place", "normal", "deviation"]);
    this.before = this.buffer(["place0", "normal0", "deviation0"]);
    const index = triangles(rows, columns);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, index, gl.STATIC_DRAW);
    this.count = index.length;
    gl.enable(gl.DEPTH_TEST);
    this.frames = 0;
    this.listen();
  }

  buffer(names) {
    const gl = this.gl, data = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, data);
    let offset = 0;
    for (const [k, name] of names.entries()) {
      const size = k < 2 ? 3 : 1, at = gl.getAttribLocation(this.program, name);
      if (at >= 0) {
        gl.enableVertexAttribArray(at);
        gl.vertexAttribPointer(at, size, gl.FLOAT, false, 28, offset);
      }
      offset += 4 * size;
    }
    return data;
  }

  setBefore(floats) {
    this.fill(this.before, floats);
    let low = [1e9, 1e9, 1e9], high = [-1e9, -1e9, -1e9];
    for (let k = 0; k < floats.length; k += 7) {
      for (let c = 0; c < 3; c++) {
        low[c] = Math.min(low[c], floats[k + c]); high[c] = Math.max(high[c], floats[k + c]);
      }
    }
    this.middle = low.map((value, c) => 0.5 * (value + high[c]));
    this.size = Math.hypot(high[0] - low[0], high[1] - low[1]);
    this.draw();
  }

  setNow(floats) { this.fill(this.now, floats); this.draw(); }

  fill(buffer, floats) {
    const gl = this.gl;
    if (!gl) return;
    gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
    gl.bufferData(gl.ARRAY_BUFFER, floats, gl.DYNAMIC_DRAW);
  }

  eye() {
    const r = 1.08 * this.size / this.zoom, c = Math.cos(this.tilt);
    return [this.middle[0] + r * Math.sin(this.turn) * c,
      this.middle[1] - r * Math.cos(this.turn) * c, this.middle[2] + r * Math.sin(this.tilt)];
  }

  draw() {
    if (!this.gl || !this.middle || this.waiting) return;
    this.waiting = true;
    requestAnimationFrame((now) => { this.waiting = false; this.pace(now); this.paint(); });
  }

  // While pictures follow each other too slowly they are drawn coarser; at rest, in full.
  pace(now) {
    const gap = now - (this.drawnAt ?? -1e9);
    this.drawnAt = now;
    this.slow = gap > 30 && gap < 1500 ? this.slow + 1 : 0;
    if (this.slow > 2) { this.coarse = Math.min(COARSEST, 1.5 * this.coarse); this.slow = 0; }
    clearTimeout(this.rest);
    if (this.coarse > 1) {
      this.rest = setTimeout(() => { this.coarse = 1; this.drawnAt = -1e9; this.draw(); }, 250);
    }
  }

  paint() {
    const gl = this.gl, o = this.options, canvas = this.canvas;
    const dots = devicePixelRatio / this.coarse;
    const width = Math.max(2, Math.round(canvas.clientWidth * dots));
    const height = Math.max(2, Math.round(canvas.clientHeight * dots));
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width; canvas.height = height;
    }
    gl.viewport(0, 0, width, height);
    gl.clearColor(0.87, 0.89, 0.89, 1); gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.useProgram(this.program); gl.bindVertexArray(this.arrays);
    const eye = this.eye(), set = (name, ...v) => {
      const at = gl.getUniformLocation(this.program, name);
      if (v.length === 16) gl.uniformMatrix4fv(at, false, v);
      else if (v.length === 3) gl.uniform3f(at, ...v);
      else gl.uniform1f(at, v[0]);
    };
    this.camera = camera(eye, this.middle, width / height, this.size);
    set("camera", ...this.camera);
    set("mixing", o.mixing); set("depth", o.depth); set("spacing", o.spacing);
    set("paint", ...o.paint); set("eye", ...eye);
    // The board of lamps stands over the panel, leaning away from or towards the eye.
    const lean = o.lamps * Math.PI / 180, high = 1000;
    const back = [-Math.sin(this.turn), Math.cos(this.turn), 0];
    const board = [0, 1, 2].map((c) => this.middle[c] + high * (
      Math.cos(lean) * (c === 2 ? 1 : 0) - Math.sin(lean) * back[c]));
    const away = unit([0, 1, 2].map((c) => this.middle[c] - board[c]));
    const side = [back[1], -back[0], 0], along = unit(cross(side, away));
    set("board", ...board); set("facing", ...away);
    set("across", ...(o.sideways ? side : along));
    gl.drawElements(gl.TRIANGLES, this.count, gl.UNSIGNED_INT, 0);
    this.frames += 1;
  }

  listen() {
    const canvas = this.canvas;
    const fingers = new Map();
    let moved = 0;
    const gap = () => {
      const [a, b] = [...fingers.values()];
      return Math.hypot(a[0] - b[0], a[1] - b[1]);
    };
    canvas.addEventListener("pointerdown", (e) => {
      if (fingers.size === 0) moved = 0;
      fingers.set(e.pointerId, [e.clientX, e.clientY]);
      if (e.isTrusted) canvas.setPointerCapture(e.pointerId);
    });
    canvas.addEventListener("pointermove", (e) => {
      const held = fingers.get(e.pointerId);
      if (!held) return;
      const way = [e.clientX - held[0], e.clientY - held[1]];
      moved += Math.abs(way[0]) + Math.abs(way[1]);
      const wide = fingers.size === 2 ? gap() : 0;  // two fingers zoom, one turns
      fingers.set(e.pointerId, [e.clientX, e.clientY]);
      if (wide > 0) this.scale(gap() / wide);
      else if (fingers.size === 1) this.rotate(way[0] * 0.006, way[1] * 0.006);
    });
    canvas.addEventListener("pointerup", (e) => {
      if (fingers.size === 1 && fingers.has(e.pointerId) && moved < 5 && this.onpick) this.pick(e);
      fingers.delete(e.pointerId);
    });
    canvas.addEventListener("pointercancel", (e) => fingers.delete(e.pointerId));
    canvas.addEventListener("wheel", (e) => {
      e.preventDefault(); this.scale(Math.exp(-e.deltaY * 0.001));
    }, { passive: false });
    canvas.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: [-0.08, 0], ArrowRight: [0.08, 0], ArrowUp: [0, -0.06],
        ArrowDown: [0, 0.06] }[e.key];
      if (step) { this.rotate(...step); e.preventDefault(); }
      if (e.key === "+" || e.key === "=") this.scale(1.15);
      if (e.key === "-") this.scale(1 / 1.15);
    });
    new ResizeObserver(() => this.draw()).observe(canvas);
  }

  rotate(turn, tilt) {
    this.turn -= turn; this.tilt = Math.min(1.5, Math.max(0.12, this.tilt + tilt));
    this.draw(); if (this.onturn) this.onturn(this);
  }

  scale(by) {
    this.zoom = Math.min(6, Math.max(0.5, this.zoom * by));
    this.draw(); if (this.onturn) this.onturn(this);
  }

  pick(event) {
    // nearest drawn point under the pointer, on the undeformed drawing's camera
    const box = this.canvas.getBoundingClientRect(), m = this.camera;
    const px = (event.clientX - box.left) / box.width * 2 - 1;
    const py = 1 - (event.clientY - box.top) / box.height * 2;
    this.onpick((x, y, z) => {
      const w = m[3] * x + m[7] * y + m[11] * z + m[15];
      return Math.hypot((m[0] * x + m[4] * y + m[8] * z + m[12]) / w - px,
        (m[1] * x + m[5] * y + m[9] * z + m[13]) / w - py);
    });
  }
}

function link(gl) {
  const program = gl.createProgram();
  for (const [sort, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
    const shader = gl.createShader(sort);
    gl.shaderSource(shader, text); gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) {
      throw new Error(gl.getShaderInfoLog(shader));
    }
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  return program;
}

function triangles(rows, columns) {
  const index = new Uint32Array(6 * (rows - 1) * (columns - 1));
  let k = 0;
  for (let i = 0; i < rows - 1; i++) {
    for (let j = 0; j < columns - 1; j++) {
      const a = i * columns + j, b = a + columns;
      index.set([a, a + 1, b, a + 1, b + 1, b], k); k += 6;
    }
  }
  return index;
}

const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0]];
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const unit = (a) => { const l = Math.hypot(...a); return a.map((v) => v / l); };

function camera(eye, at, aspect, size) {
  const f = unit([0, 1, 2].map((c) => at[c] - eye[c])), s = unit(cross(f, [0, 0, 1]));
  const u = cross(s, f), near = 0.05 * size, far = 8 * size, t = 1 / Math.tan(0.32);
  const look = [s[0], u[0], -f[0], 0, s[1], u[1], -f[1], 0, s[2], u[2], -f[2], 0,
    -dot(s, eye), -dot(u, eye), dot(f, eye), 1];
  const lens = [t / aspect, 0, 0, 0, 0, t, 0, 0, 0, 0, (far + near) / (near - far), -1, 0, 0,
    2 * far * near / (near - far), 0];
  const out = new Array(16).fill(0);
  for (let c = 0; c < 4; c++) {
    for (let r = 0; r < 4; r++) {
      for (let k = 0; k < 4; k++) out[4 * c + r] += lens[4 * k + r] * look[4 * c + k];
    }
  }
  return out;
}
