// Draws one slice with its curves on a canvas and tells where a person points. No network, no libraries.

const RIM = "#101418";

function draw(canvas, model, picture, cross) {
  const [columns, rows] = model.get("size_px");
  const aspect = model.get("aspect");
  const ratio = window.devicePixelRatio || 1;
  const wide = canvas.clientWidth || 640;
  const scale = wide / columns;
  const tall = rows * scale * aspect;
  canvas.style.height = `${tall}px`;
  canvas.width = Math.round(wide * ratio);
  canvas.height = Math.round(tall * ratio);
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.imageSmoothingEnabled = scale < 2;
  if (picture) pen.drawImage(picture, 0, 0, wide, tall);
  const x = (column) => (column + 0.5) * scale;
  const y = (row) => (row + 0.5) * scale * aspect;
  const chosen = model.get("chosen");
  const taken = [];
  for (const curve of model.get("curves")) {
    const flat = curve.points;
    pen.beginPath();
    for (let k = 0; k < flat.length; k += 2) {
      if (k) pen.lineTo(x(flat[k]), y(flat[k + 1]));
      else pen.moveTo(x(flat[k]), y(flat[k + 1]));
    }
    const thick = curve.id === chosen ? 3.5 : 1.6;
    pen.setLineDash([]);
    pen.strokeStyle = RIM;
    pen.lineWidth = thick + 2;
    pen.stroke();
    pen.setLineDash(curve.dashes.map((one) => one * 1.6));
    pen.strokeStyle = curve.colour;
    pen.lineWidth = thick;
    pen.stroke();
  }
  pen.setLineDash([]);
  pen.font = "12px sans-serif";
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  for (const curve of model.get("curves")) {
    const text = curve.id === chosen ? `▸${curve.id}` : curve.id;
    const half = pen.measureText(text).width / 2 + 4;
    const count = curve.points.length / 2;
    let [mx, my] = [0, 0];
    for (let k = 0; k < 2 * count; k += 2) {
      mx += x(curve.points[k]) / count;
      my += y(curve.points[k + 1]) / count;
    }
    let best = null;
    for (let k = 0; k < 2 * count; k += 2) {
      const [px, py] = [x(curve.points[k]), y(curve.points[k + 1])];
      const far = Math.hypot(px - mx, py - my) || 1;
      // outside the curve, so that the label covers neither a small hole nor the edge itself
      const spot = [
        Math.min(Math.max(px + ((px - mx) / far) * (half + 7), half), wide - half),
        Math.min(Math.max(py + ((py - my) / far) * 16, 9), tall - 9),
      ];
      const gap = Math.min(1e9, ...taken.map((one) => Math.hypot(one[0] - spot[0], one[1] - spot[1])));
      if (!best || gap > best.gap + 1) best = { gap, spot };
    }
    if (!best) continue;
    taken.push(best.spot);
    const [cx, cy] = best.spot;
    pen.fillStyle = RIM;
    pen.fillRect(cx - half, cy - 9, 2 * half, 18);
    pen.strokeStyle = curve.colour;
    pen.lineWidth = curve.id === chosen ? 2 : 1;
    pen.strokeRect(cx - half, cy - 9, 2 * half, 18);
    pen.fillStyle = "#ffffff";
    pen.fillText(text, cx, cy + 0.5);
  }
  model.get("points").forEach((point, k) => {
    const [cx, cy] = [x(point[0]), y(point[1])];
    for (const [colour, thick] of [[RIM, 4.5], ["#ffffff", 1.8]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = thick;
      pen.beginPath();
      pen.moveTo(cx - 8, cy);
      pen.lineTo(cx + 8, cy);
      pen.moveTo(cx, cy - 8);
      pen.lineTo(cx, cy + 8);
      pen.stroke();
    }
    pen.fillStyle = RIM;
    pen.fillRect(cx + 5, cy + 5, 16, 16);
    pen.fillStyle = "#ffffff";
    pen.fillText(String(k + 1), cx + 13, cy + 13.5);
  });
  if (cross) {
    for (const [colour, thick] of [[RIM, 3], ["#ffffff", 1]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = thick;
      pen.strokeRect(x(cross[0]) - 5, y(cross[1]) - 5, 10, 10);
    }
  }
  canvas.dataset.slice = String(model.get("slice"));
  canvas.dataset.drawn = String(Number(canvas.dataset.drawn || 0) + 1);
}

function render({ model, el }) {
  const canvas = document.createElement("canvas");
  canvas.className = "ctr-pad-canvas";
  canvas.tabIndex = 0;
  canvas.setAttribute("role", "img");
  const hint = document.createElement("div");
  hint.className = "ctr-pad-hint";
  hint.textContent =
    "Keys on the picture: Page Up and Page Down change the slice, arrows move the cross (Shift: ten), Enter points.";
  el.append(canvas, hint);
  let picture = null;
  let cross = null;
  let wanted = 0;

  const paint = () => draw(canvas, model, picture, cross);
  const load = async () => {
    const mine = ++wanted;
    const data = model.get("jpeg");
    if (!data || !data.byteLength) return;
    const next = await createImageBitmap(new Blob([data], { type: "image/jpeg" }));
    if (mine !== wanted) return; // a newer slice came meanwhile
    picture = next;
    paint();
  };
  const name = () => canvas.setAttribute("aria-label", model.get("label"));

  const place = (event) => {
    const box = canvas.getBoundingClientRect();
    const [columns, rows] = model.get("size_px");
    return [
      ((event.clientX - box.left) / box.width) * columns - 0.5,
      ((event.clientY - box.top) / box.height) * rows - 0.5,
    ];
  };
  let count = 0;
  const send = (kind, spot) => {
    count += 1;
    model.set("said", { kind, column: spot[0], row: spot[1], count });
    model.save_changes();
  };
  let last = 0;
  canvas.addEventListener("pointermove", (event) => {
    const now = performance.now();
    if (now - last < 60) return;
    last = now;
    send("over", place(event));
  });
  canvas.addEventListener("click", (event) => {
    canvas.focus();
    send("point", place(event));
  });
  canvas.addEventListener("keydown", (event) => {
    const [columns, rows] = model.get("size_px");
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (event.key in steps) {
      const far = event.shiftKey ? 10 : 1;
      cross = cross || [Math.round(columns / 2), Math.round(rows / 2)];
      cross = [
        Math.min(Math.max(cross[0] + far * steps[event.key][0], 0), columns - 1),
        Math.min(Math.max(cross[1] + far * steps[event.key][1], 0), rows - 1),
      ];
      paint();
      send("over", cross);
    } else if (event.key === "Enter" && cross) {
      send("point", cross);
    } else if (event.key === "PageUp" || event.key === "PageDown") {
      send(event.key === "PageUp" ? "back" : "on", cross || [0, 0]);
    } else {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
  });
  model.on("change:jpeg", load);
  model.on("change:curves", paint);
  model.on("change:chosen", paint);
  model.on("change:points", paint);
  model.on("change:label", name);
  const watcher = new ResizeObserver(() => paint());
  watcher.observe(el);
  name();
  load();
  return () => watcher.disconnect();
}

export default { render };
