// Turns a part in space: triangles with flat light, their edges as lines, pieces apart. No network, no libraries.

const SEEN = `#version 300 es
uniform mat3 turn; uniform vec3 middle; uniform vec3 shift; uniform vec2 scale; uniform float depth, lift;
in vec3 place; out vec3 at;
void main() {
  at = turn * (place + shift - middle);
  gl_Position = vec4(at.xy * scale, -at.z * depth - lift, 1.0);
}`;
const LIT = `#version 300 es
precision highp float;
uniform vec3 colour; uniform float flat_; in vec3 at; out vec4 out_;
void main() {
  vec3 n = normalize(cross(dFdx(at), dFdy(at)));
  float light = flat_ > 0.5 ? 1.0 : 0.35 + 0.65 * abs(dot(n, normalize(vec3(0.35, 0.45, 0.82))));
  out_ = vec4(colour * light, 1.0);
}`;

function program(gl) {
  const made = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, SEEN], [gl.FRAGMENT_SHADER, LIT]]) {
    const one = gl.createShader(kind);
    gl.shaderSource(one, text);
    gl.compileShader(one);
    gl.attachShader(made, one);
  }
  gl.bindAttribLocation(made, 0, "place");
  gl.linkProgram(made);
  return gl.getProgramParameter(made, gl.LINK_STATUS) ? made : null;
}

const rgb = (hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255);

// Seen from `yaw` about the part's axis, tipped by `tip` (radians).
function turned(yaw, tip) {
  const [c, s, d, e] = [Math.cos(yaw), Math.sin(yaw), Math.cos(tip), Math.sin(tip)];
  // columns of: tip about the screen's x after yaw about the axis (the part's z)
  return [c, s * d, s * e, -s, c * d, c * e, 0, -e, d];
}

function render({ model, el }) {
  const canvas = document.createElement("canvas");
  canvas.className = "ctr-pad-canvas ctr-space-canvas";
  canvas.tabIndex = 0;
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", model.get("label"));
  const hint = document.createElement("div");
  hint.className = "ctr-pad-hint";
  hint.textContent = "Drag or arrows: turn · Ctrl+wheel, +, −: zoom · double click, 0: as at first";
  el.append(canvas, hint);
  const gl = canvas.getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
  const made = gl && program(gl);
  if (!made) {
    // no graphics here: a still picture from three sides takes its place
    const still = document.createElement("img");
    still.style.maxWidth = "100%";
    still.alt = model.get("label");
    canvas.replaceWith(still);
    hint.remove();
    const show = () => {
      if (model.get("still").byteLength) still.src = URL.createObjectURL(new Blob([model.get("still")], { type: "image/png" }));
    };
    model.on("change:still", show);
    show();
    model.send({ kind: "still" });
    return () => URL.revokeObjectURL(still.src);
  }

  const at = (name) => gl.getUniformLocation(made, name);
  const fill = (name) => {
    const data = model.get(name);
    const buffer = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
    gl.bufferData(gl.ARRAY_BUFFER, new Uint8Array(data.buffer ? data.buffer.slice(data.byteOffset, data.byteOffset + data.byteLength) : data), gl.STATIC_DRAW);
    return buffer;
  };
  const [triangles, lines] = [fill("triangles"), fill("lines")];
  const first = { yaw: -0.6, tip: -1.05, zoom: 1 };
  let seen = { ...first };
  let due = false;

  const draw = () => {
    due = false;
    const [wide, tall] = [canvas.clientWidth || 640, Math.round((canvas.clientWidth || 640) * 0.7)];
    const ratio = window.devicePixelRatio || 1;
    canvas.style.height = `${tall}px`;
    [canvas.width, canvas.height] = [Math.round(wide * ratio), Math.round(tall * ratio)];
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clearColor(...rgb("#101418"), 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    gl.useProgram(made);
    const apart = model.get("apart");
    const reach = model.get("reach_mm") * (1 + apart * (model.get("spread") - 1));
    const scale = (0.92 * seen.zoom) / reach;
    gl.uniformMatrix3fv(at("turn"), false, turned(seen.yaw, seen.tip));
    gl.uniform3fv(at("middle"), model.get("middle"));
    gl.uniform2f(at("scale"), (scale * tall) / wide, scale);
    gl.uniform1f(at("depth"), 0.4 / reach);
    gl.enableVertexAttribArray(0);
    for (const one of model.get("pieces")) {
      gl.uniform3f(at("shift"), 0, 0, apart * one.shift);
      gl.uniform3fv(at("colour"), rgb(one.colour));
      gl.uniform1f(at("flat_"), 0);
      gl.uniform1f(at("lift"), 0);
      gl.bindBuffer(gl.ARRAY_BUFFER, triangles);
      gl.vertexAttribPointer(0, 3, gl.FLOAT, false, 0, 0);
      gl.drawArrays(gl.TRIANGLES, ...one.triangles);
      gl.uniform3fv(at("colour"), rgb("#101418"));
      gl.uniform1f(at("flat_"), 1);
      gl.uniform1f(at("lift"), 0.001); // in front of the faces they bound
      gl.bindBuffer(gl.ARRAY_BUFFER, lines);
      gl.vertexAttribPointer(0, 3, gl.FLOAT, false, 0, 0);
      gl.drawArrays(gl.LINES, ...one.lines);
    }
    Object.assign(canvas.dataset, {
      yaw: seen.yaw.toFixed(3), tip: seen.tip.toFixed(3), zoom: seen.zoom.toFixed(3), apart: apart.toFixed(3),
      drawn: String(Number(canvas.dataset.drawn || 0) + 1),
    });
  };
  const paint = () => {
    if (!due) requestAnimationFrame(draw);
    due = true;
  };
  const turn = (dx, dy) => {
    seen.yaw += dx * 0.01;
    seen.tip = Math.min(Math.max(seen.tip + dy * 0.01, -Math.PI), 0);
    paint();
  };
  const zoom = (factor) => {
    seen.zoom = Math.min(Math.max(seen.zoom * factor, 0.5), 20);
    paint();
  };
  const again = () => {
    seen = { ...first };
    paint();
  };

  let from = null;
  canvas.addEventListener("pointerdown", (event) => {
    from = [event.clientX, event.clientY];
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!from) return;
    turn(event.clientX - from[0], event.clientY - from[1]);
    from = [event.clientX, event.clientY];
  });
  for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, () => (from = null));
  canvas.addEventListener("click", () => canvas.focus({ preventScroll: true }));
  canvas.addEventListener("dblclick", again);
  canvas.addEventListener(
    "wheel",
    (event) => {
      if (!event.ctrlKey) return; // the page is scrolled
      zoom(Math.exp(-Math.max(-240, Math.min(240, event.deltaY)) * 0.002));
      event.preventDefault();
      event.stopPropagation();
    },
    { passive: false },
  );
  const keys = {
    ArrowLeft: () => turn(-10, 0), ArrowRight: () => turn(10, 0), ArrowUp: () => turn(0, -10),
    ArrowDown: () => turn(0, 10), "+": () => zoom(1.25), "=": () => zoom(1.25), "-": () => zoom(0.8), 0: again,
  };
  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || !(event.key in keys)) return;
    keys[event.key]();
    event.preventDefault();
    event.stopPropagation();
  });
  model.on("change:apart", paint);
  const watcher = new ResizeObserver(paint);
  watcher.observe(el);
  paint();
  return () => {
    watcher.disconnect();
    gl.getExtension("WEBGL_lose_context")?.loseContext(); // a browser lends only some at a time
  };
}

export default { render };
