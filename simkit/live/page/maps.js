// The flat map of lows and highs, and a section; drawn on plain canvases.

const LOW = [33, 102, 172], HIGH = [178, 24, 43], SHADES = 256;
const TONES = [LOW, HIGH].map((end) => Array.from({ length: SHADES }, (_, k) =>
  `rgb(${end.map((v) => Math.round(255 + Math.sqrt(k / (SHADES - 1)) * (v - 255))).join()})`));

// lows blue, highs red; darker with the square root of the height, `share` of the largest
function tone(share) {
  const k = Math.round(Math.min(1, Math.abs(share)) * (SHADES - 1));
  return TONES[share < 0 ? 0 : 1][k];
}

// A picture of a panel in the list of steps: lows blue, highs red, one colour scale for all steps.
export function thumbnail(floats, rows, columns, most = 1.0) {
  const wide = 48, high = 34, canvas = document.createElement("canvas");
  canvas.width = wide; canvas.height = high;
  const pen = canvas.getContext("2d"), first = floats, last = floats.length - 7;
  const x0 = first[0], x1 = floats[last], y0 = first[1], y1 = floats[last + 1];
  const down = Math.ceil(rows / high), over = Math.ceil(columns / wide);
  for (let i = 0; i < rows - 1; i += down) {
    for (let j = 0; j < columns - 1; j += over) {
      const a = 7 * (i * columns + j), b = 7 * (Math.min(i + down, rows - 1) * columns
        + Math.min(j + over, columns - 1));
      pen.fillStyle = tone(floats[a + 6] / most);
      const px = wide * (floats[a] - x0) / (x1 - x0), py = high * (y1 - floats[b + 1]) / (y1 - y0);
      pen.fillRect(px, py, wide * (floats[b] - floats[a]) / (x1 - x0) + 0.7,
        high * (floats[b + 1] - floats[a + 1]) / (y1 - y0) + 0.7);
    }
  }
  return canvas;
}

export class FlatMap {
  constructor(canvas, rows, columns) {
    this.canvas = canvas; this.rows = rows; this.columns = columns;
    this.at = [0, 0]; this.marks = []; this.guesses = [];
    // while the place is dragged the section follows; let go, it is chosen
    const under = (e) => {
      const box = canvas.getBoundingClientRect();
      return this.back(e.clientX - box.left, e.clientY - box.top);
    };
    let dragged = false;
    canvas.addEventListener("pointerdown", (e) => {
      dragged = true;
      if (e.isTrusted) canvas.setPointerCapture(e.pointerId);
    });
    canvas.addEventListener("pointermove", (e) => {
      if (dragged && this.floats) this.move(...under(e), this.ondrag);
    });
    canvas.addEventListener("pointerup", (e) => {
      if (dragged && this.floats) this.choose(...under(e));
      dragged = false;
    });
    canvas.addEventListener("pointercancel", () => { dragged = false; });
    canvas.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1],
        ArrowDown: [0, -1] }[e.key];
      if (!step) return;
      e.preventDefault();
      this.choose(this.at[0] + step[0], this.at[1] + step[1]);
    });
    new ResizeObserver(() => this.draw()).observe(canvas);
  }

  choose(x, y) { this.move(x, y, this.onchoose); }

  // Move the cross to a place in mm, within the panel, and tell it.
  move(x, y, tell) {
    if (this.box) {
      x = Math.min(this.box[1], Math.max(this.box[0], x));
      y = Math.min(this.box[3], Math.max(this.box[2], y));
    }
    this.at = [Math.round(x * 10) / 10, Math.round(y * 10) / 10];
    if (tell) tell(...this.at);
    this.draw();
  }

  setShape(floats) {
    this.floats = floats;
    let box = [1e9, -1e9, 1e9, -1e9], most = 0;
    for (let k = 0; k < floats.length; k += 7) {
      box = [Math.min(box[0], floats[k]), Math.max(box[1], floats[k]),
        Math.min(box[2], floats[k + 1]), Math.max(box[3], floats[k + 1])];
      most = Math.max(most, Math.abs(floats[k + 6]));
    }
    this.box = box; this.most = Math.max(most, 0.02);
    this.draw();
  }

  scale() {
    const w = this.canvas.clientWidth, h = this.canvas.clientHeight, b = this.box;
    const s = Math.min((w - 12) / (b[1] - b[0]), (h - 26) / (b[3] - b[2]));
    return { s, x: (w - s * (b[1] - b[0])) / 2, y: (h - 14 - s * (b[3] - b[2])) / 2 };
  }

  to(x, y) {
    const { s, x: a, y: b } = this.scale();
    return [a + s * (x - this.box[0]), b + s * (this.box[3] - y)];
  }

  back(px, py) {
    const { s, x: a, y: b } = this.scale();
    return [this.box[0] + (px - a) / s, this.box[3] - (py - b) / s];
  }

  draw() {
    if (!this.floats) return;
    const pen = fit(this.canvas);
    pen.drawImage(this.painted(), 0, 0, this.canvas.clientWidth, this.canvas.clientHeight);
    pen.font = "11px system-ui"; pen.fillStyle = "#1d2a33"; pen.strokeStyle = "#1d2a33";
    for (const spot of this.marks) {
      const [x, y] = this.to(spot.x_mm, spot.y_mm);
      const text = (spot.height_mm > 0 ? "+" : "\u2212") + Math.abs(spot.height_mm).toFixed(2);
      pen.beginPath(); pen.arc(x, y, 2.5, 0, 7); pen.fill();
      pen.fillText(text, x + 5, y - 3);
    }
    pen.fillStyle = "#d55e00";
    for (const [gx, gy] of this.guesses) {
      const [x, y] = this.to(gx, gy);
      pen.fillText("?", x - 3, y + 4);
    }
    const [x, y] = this.to(...this.at);
    pen.strokeStyle = "#d55e00"; pen.lineWidth = 1.5; pen.beginPath();
    pen.moveTo(x - 9, y); pen.lineTo(x + 9, y); pen.moveTo(x, y - 9); pen.lineTo(x, y + 9);
    pen.stroke();
    pen.fillStyle = "#4a5963";
    pen.fillText(`colours to \u00b1${this.most.toFixed(2)} mm, square-root scale`, 6,
      this.canvas.clientHeight - 4);
  }

  // The colours, painted again only when the shape or the size of the canvas has changed.
  painted() {
    const wide = this.canvas.width, high = this.canvas.height, held = this.held;
    if (held && held.floats === this.floats && held.canvas.width === wide
      && held.canvas.height === high) return held.canvas;
    const canvas = document.createElement("canvas");
    canvas.width = wide; canvas.height = high;
    const pen = canvas.getContext("2d"), f = this.floats, nc = this.columns;
    pen.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
    const { s, x: left, y: top } = this.scale(), west = this.box[0], north = this.box[3];
    for (let i = 0; i < this.rows - 1; i++) {
      for (let j = 0; j < nc - 1; j++) {
        const a = 7 * (i * nc + j), b = 7 * ((i + 1) * nc + j + 1);
        pen.fillStyle = tone(0.5 * (f[a + 6] + f[b + 6]) / this.most);
        pen.fillRect(left + s * (f[a] - west), top + s * (north - f[b + 1]),
          s * (f[b] - f[a]) + 0.7, s * (f[b + 1] - f[a + 1]) + 0.7);
      }
    }
    this.held = { floats: f, canvas };
    return canvas;
  }

  value(x, y) {
    // deviation at the nearest grid point
    let best = 1e18, d = 0;
    for (let k = 0; k < this.floats.length; k += 7) {
      const gap = (this.floats[k] - x) ** 2 + (this.floats[k + 1] - y) ** 2;
      if (gap < best) { best = gap; d = this.floats[k + 6]; }
    }
    return d;
  }

  section(alongX) {
    // grid line nearest to the chosen place: [position, deviation] pairs
    const nc = this.columns, f = this.floats, out = [];
    let line = 0, best = 1e18;
    for (let k = 0; k < (alongX ? this.rows : nc); k++) {
      const at = 7 * (alongX ? k * nc + (nc >> 1) : (this.rows >> 1) * nc + k);
      const gap = Math.abs(f[at + (alongX ? 1 : 0)] - this.at[alongX ? 1 : 0]);
      if (gap < best) { best = gap; line = k; }
    }
    for (let k = 0; k < (alongX ? nc : this.rows); k++) {
      const at = 7 * (alongX ? line * nc + k : k * nc + line);
      out.push([f[at + (alongX ? 0 : 1)], f[at + 6]]);
    }
    return out;
  }
}

export function drawSection(canvas, lines, tolerance, mark) {
  const pen = fit(canvas), w = canvas.clientWidth, h = canvas.clientHeight;
  const all = lines.flatMap((line) => line.points);
  if (!all.length) return;
  const x0 = Math.min(...all.map((p) => p[0])), x1 = Math.max(...all.map((p) => p[0]));
  const d0 = Math.min(-0.15, ...all.map((p) => p[1])), d1 = Math.max(0.15, ...all.map((p) => p[1]));
  const X = (x) => 38 + (w - 48) * (x - x0) / (x1 - x0);
  const Y = (d) => 8 + (h - 30) * (d1 - d) / (d1 - d0);
  pen.fillStyle = "#e7efe9"; pen.fillRect(38, Y(tolerance), w - 48, Y(-tolerance) - Y(tolerance));
  pen.strokeStyle = "#9aa5ab"; pen.beginPath(); pen.moveTo(38, Y(0)); pen.lineTo(w - 10, Y(0));
  pen.stroke();
  pen.setLineDash([4, 3]); pen.beginPath(); pen.moveTo(X(mark), 8); pen.lineTo(X(mark), h - 22);
  pen.stroke(); pen.setLineDash([]);
  for (const line of lines) {
    pen.strokeStyle = line.colour; pen.lineWidth = 1.6; pen.beginPath();
    line.points.forEach((p, k) => pen[k ? "lineTo" : "moveTo"](X(p[0]), Y(p[1])));
    pen.stroke();
  }
  pen.fillStyle = "#4a5963"; pen.font = "11px system-ui";
  pen.fillText(d1.toFixed(1), 4, 16); pen.fillText(d0.toFixed(1), 4, h - 24);
  pen.fillText("mm", 4, Y(0) + 4);
  pen.fillText(`${x0.toFixed(0)}`, 38, h - 6);
  pen.fillText(`${x1.toFixed(0)} mm`, w - 48, h - 6);
}

function fit(canvas) {
  const r = devicePixelRatio, w = canvas.clientWidth, h = canvas.clientHeight;
  canvas.width = Math.round(w * r); canvas.height = Math.round(h * r);
  const pen = canvas.getContext("2d");
  pen.setTransform(r, 0, 0, r, 0, 0); pen.clearRect(0, 0, w, h);
  return pen;
}
