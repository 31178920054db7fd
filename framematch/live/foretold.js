// The recorded frame, foretold from the goggles' picture: a video source bent by grids that Python made (see foretold_part.py).
// The pictures stay in this browser; Python hears only how large the source is and where its black bars end.

const hub = (globalThis[Symbol.for("framematch.live")] ??= { parts: new Map(), waiting: new Set() });
const DARK = 14; // of 255: video's black and what compression leaves of it
const LOOKS = [1, 2, 4, 8, 16]; // frames in which bars are looked for
const TIMES = 60; // frames over which the latency is told
const STILL_PX = 1080;
const MOST_PX = 2160;
const WIDEST_PX = 8192; // as Python has it
const HEAD = `#version 300 es
precision highp float;
`;
const VERTEX = `${HEAD}
layout(location=0) in vec2 share; layout(location=1) in vec3 place; uniform vec4 part; out vec2 at; out float ok;
void main() {
  at = place.xy;
  ok = place.z;
  gl_Position = vec4((share - part.xy) / (part.zw - part.xy) * vec2(2.0, -2.0) + vec2(-1.0, 1.0), 0.0, 1.0);
}`;
const FRAGMENT = `${HEAD}
in vec2 at; in float ok; out vec4 colour; uniform sampler2D picture; uniform bool there; uniform vec2 scale, shift; uniform vec4 shown; uniform float height, gap;
void main() {
  if (there && ok > 0.999 && all(greaterThanEqual(at, shown.xy)) && all(lessThanEqual(at, shown.zw))) colour = vec4(texture(picture, at * scale + shift).rgb, 1.0);
  else {
    float across = floor(gl_FragCoord.x) + floor(height - gl_FragCoord.y);
    colour = vec4(vec3(mod(across, gap) < max(2.0, floor(gap / 6.0)) ? 93.0 : 33.0) / 255.0, 1.0);
  }
}`;

/** Draws a frame foretold from whatever was put into its texture. */
export class Bender {
  constructor(canvas) {
    const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, depth: false, stencil: false });
    if (!gl) throw new Error("no WebGL2");
    this.gl = gl;
    this.canvas = canvas;
    ({ program: this.program, at: this.at } = linked(gl, VERTEX, FRAGMENT));
    this.texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, this.texture);
    for (const side of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, side, gl.LINEAR);
    for (const side of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(gl.TEXTURE_2D, side, gl.CLAMP_TO_EDGE);
    this.buffers = [gl.createBuffer(), gl.createBuffer(), gl.createBuffer()];
    this.there = false;
  }

  setPart(part) {
    const gl = this.gl, { shares, index } = gridMesh(part.cells);
    this.part = part;
    this.count = index.length;
    for (const [i, kind, values] of [[0, gl.ARRAY_BUFFER, shares], [1, gl.ARRAY_BUFFER, part.array("places")], [2, gl.ELEMENT_ARRAY_BUFFER, index]]) {
      gl.bindBuffer(kind, this.buffers[i]);
      gl.bufferData(kind, values, gl.STATIC_DRAW);
    }
  }

  /** Take over the picture that a video, image or canvas shows now. */
  take(source) {
    const gl = this.gl;
    gl.bindTexture(gl.TEXTURE_2D, this.texture);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, gl.RGBA, gl.UNSIGNED_BYTE, source);
    this.there = true;
  }

  /** Draw one of the frames for one stop, so many pixels high. */
  draw({ frame, stop, fit, height }) {
    const gl = this.gl, { part } = this, shape = part.frames[frame], corners = (part.cells[0] + 1) * (part.cells[1] + 1);
    const size = [2 * Math.round(Math.min(height * shape.aspect, WIDEST_PX) / 2), 2 * Math.round(height / 2)];
    if (this.canvas.width !== size[0] || this.canvas.height !== size[1]) [this.canvas.width, this.canvas.height] = size;
    gl.viewport(0, 0, ...size);
    gl.useProgram(this.program);
    gl.bindTexture(gl.TEXTURE_2D, this.texture);
    gl.uniform4fv(this.at.part, shape.part);
    gl.uniform4fv(this.at.shown, part.shown);
    gl.uniform1i(this.at.picture, 0);
    gl.uniform1i(this.at.there, this.there && fit ? 1 : 0);
    gl.uniform2fv(this.at.scale, fit?.scale ?? [1, 1]);
    gl.uniform2fv(this.at.shift, fit?.shift ?? [0, 0]);
    gl.uniform1f(this.at.height, size[1]);
    gl.uniform1f(this.at.gap, Math.max(8, Math.floor(size[1] / 40)));
    gl.bindBuffer(gl.ARRAY_BUFFER, this.buffers[0]);
    gl.enableVertexAttribArray(0);
    gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
    gl.bindBuffer(gl.ARRAY_BUFFER, this.buffers[1]);
    gl.enableVertexAttribArray(1);
    gl.vertexAttribPointer(1, 3, gl.FLOAT, false, 0, 12 * corners * stop);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, this.buffers[2]);
    gl.drawElements(gl.TRIANGLES, this.count, gl.UNSIGNED_INT, 0);
  }
}

// ------------------------------------------------------------------------------------------------ component

const MARKUP = `
<div class="sources" role="group" aria-label="Source"><button class="camera" type="button">Use a capture device</button>
<label class="which" hidden><span>Device</span><select class="devices" aria-label="Device"></select></label>
<label class="clip button">Choose a clip<input type="file" accept="video/*"></label>
<button class="off" type="button" hidden>Stop the source</button></div>
<p class="said" role="status"></p>
<div class="stage" tabindex="0" role="group" aria-label="The frame foretold. Arrow keys: distance. Page up and down: sets of lines. Space: freeze. S: save a still. F: full screen.">
<figure class="frame"><div class="picture"><canvas class="gl" role="img"></canvas><canvas class="lines" aria-hidden="true"></canvas></div><figcaption></figcaption></figure>
<figure class="wide"><div class="picture"><video muted playsinline disablepictureinpicture></video><canvas class="lines" aria-hidden="true"></canvas></div>
<figcaption>The source. The white line: where the frame is taken from. A guide of the source's own may be burnt into its picture, and then shows in the frame too.</figcaption></figure>
</div>
<div class="hands">
<label class="distance"><span>Distance to what is filmed <b class="out"></b></span><input type="range" min="0" step="1"></label>
<div class="sets" role="group" aria-label="Sets of lines"></div>
<div class="buttons"><button class="freeze" type="button" aria-pressed="false">Freeze</button><button class="still" type="button">Save a still</button><button class="full" type="button">Full screen</button><button class="second" type="button" hidden>Full screen on the other screen</button></div>
</div>
<div class="drawn"><label class="which-frame"><span>Frame</span><select aria-label="Frame"></select></label>
<label><input type="checkbox" name="others"> other frames</label><label><input type="checkbox" name="safe"> safe areas</label><label><input type="checkbox" name="level"> level line</label></div>
<p class="about"></p><p class="latency"></p>`;

const ABOUT = "Right for what stands at the chosen distance; what is nearer or farther is off, as the guide's error curve says. Hatched: the goggles' picture ends there and nothing is made up."
  + " Nothing is recorded, and no picture leaves this browser. Safe areas: SMPTE ST 2046-1 and EBU R 95, which agree (3.5 % and 5 % at each edge). The level line lies across the picture; it knows nothing of the aircraft's attitude.";

class Foretold {
  constructor(root) {
    this.box = document.createElement("div");
    this.box.className = "foretold";
    this.box.innerHTML = MARKUP;
    root.append(this.box);
    this.part = (selector) => this.box.querySelector(selector);
    this.video = this.part("video");
    this.stop = this.frame = 0;
    this.n = Date.now() % 1e9; // an answer to what stood here before is none to this one
    this.frozen = this.ended = false;
    this.times = [];
    this.frames = 0; // counts pictures taken over, so that tests see them come
    this.part(".about").textContent = ABOUT;
    this.start();
    this.listen();
    this.onParts = () => this.takePart();
    hub.waiting.add(this.onParts);
    this.observer = new ResizeObserver(() => this.draw());
    this.observer.observe(this.part(".frame .picture"));
    this.onDevices = () => this.devicesChanged();
    navigator.mediaDevices?.addEventListener("devicechange", this.onDevices);
    if (!navigator.mediaDevices) {
      this.part(".camera").disabled = true;
      this.say("This page came over plain http, as to a phone, and there browsers give no camera: open it on the computer itself, or choose a clip.");
    }
  }

  end() {
    this.ended = true;
    this.drop();
    hub.waiting.delete(this.onParts);
    navigator.mediaDevices?.removeEventListener("devicechange", this.onDevices);
    this.observer.disconnect();
    this.bender?.gl.getExtension("WEBGL_lose_context")?.loseContext();
    this.box.remove();
  }

  start() {
    try {
      this.bender = new Bender(this.part("canvas.gl"));
    } catch (error) {
      this.bender = null;
      this.say(`This browser can't draw the frame (${error.message}): try another one, or framematch predict on a recorded clip.`);
    }
  }

  say(text) {
    if (this.part(".said").textContent !== text) this.part(".said").textContent = text;
  }

  // -------------------------------------------------------------------------------------------- from Python

  update(data, send) {
    const first = !this.data;
    this.send = send;
    const at = first ? data.stop : data.stops.indexOf(this.data.stops[this.stop]);
    this.stop = at < 0 ? data.stop : at;
    this.data = data;
    this.part(".distance input").max = data.stops.length - 1;
    const sets = this.part(".sets");
    sets.replaceChildren(...data.sets.map((set) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = set.label;
      button.addEventListener("click", () => this.to(set.stop));
      return button;
    }));
    this.takeFit();
    this.takePart();
  }

  takeFit() {
    const { fit } = this.data;
    if (!fit || fit.n !== this.n) return;
    this.fit = fit.refused ? null : fit;
    if (fit.refused) this.say(fit.refused);
    else if (this.source) this.say(`${this.source}, ${this.video.videoWidth} x ${this.video.videoHeight}.`);
    this.draw();
  }

  takePart() {
    if (!this.data || !hub.parts.has(this.data.part)) return;
    if (this.table?.id !== this.data.part) {
      this.table = opened(hub.parts.get(this.data.part));
      this.places = this.table.array("places");
      this.bender?.setPart(this.table);
      this.frame = Math.min(this.frame, this.table.frames.length - 1);
      this.part(".which-frame select").replaceChildren(...this.table.frames.map((each, i) => new Option(each.name, i, false, i === this.frame)));
      this.part(".which-frame").hidden = this.part("[name=others]").parentElement.hidden = this.table.frames.length < 2;
    }
    this.draw();
  }

  // -------------------------------------------------------------------------------------------- the source

  async camera(id) {
    this.wanted = id;
    let stream;
    this.part(".camera").disabled = true;
    try {
      // Never scaled or cut by the browser: the source's own shape says what it carries.
      stream = await navigator.mediaDevices.getUserMedia({
        audio: false,
        video: { ...(id ? { deviceId: { exact: id } } : {}), width: { ideal: 1920 }, height: { ideal: 1080 }, frameRate: { ideal: 60 }, resizeMode: "none" },
      });
    } catch (error) {
      const why = { NotAllowedError: "The camera was refused: allow it for this page in the browser's address bar, then press the button again.",
        NotFoundError: "There is no capture device: plug it in, then press the button again.", OverconstrainedError: "That device is gone: plug it in, then press the button again.",
        NotReadableError: "The device is in use by another program, or does not answer: close that, then press the button again." }[error.name];
      this.say(why ?? `The device can't be used (${error.message}).`);
      return;
    } finally {
      this.part(".camera").disabled = false;
    }
    if (this.ended) return stream.getTracks().forEach((track) => track.stop());
    this.drop();
    const [track] = stream.getVideoTracks();
    this.stream = stream;
    track.addEventListener("ended", () => this.gone());
    this.wanted = track.getSettings().deviceId;
    await this.show({ srcObject: stream, controls: false, loop: false }, track.label || "Capture device");
    this.listDevices();
  }

  gone() {
    if (!this.stream || this.ended) return;
    this.drop();
    this.say("The device is gone. It is used again as soon as it is back; or press the button.");
    this.lost = true;
  }

  async devicesChanged() {
    await this.listDevices();
    if (this.lost && [...this.part(".devices").options].some((each) => each.value === this.wanted)) {
      this.lost = false;
      this.camera(this.wanted);
    }
  }

  async listDevices() {
    const found = (await navigator.mediaDevices.enumerateDevices()).filter((each) => each.kind === "videoinput" && each.deviceId);
    this.part(".devices").replaceChildren(...found.map((each, i) => new Option(each.label || `Device ${i + 1}`, each.deviceId, false, each.deviceId === this.wanted)));
    this.part(".which").hidden = found.length < 2;
  }

  async clip(file) {
    this.drop();
    this.address = URL.createObjectURL(file);
    await this.show({ src: this.address, controls: true, loop: true }, file.name);
  }

  /** Show a source; its size goes to Python, which answers how it carries the display. */
  async show(how, name) {
    this.source = name;
    this.lost = false;
    Object.assign(this.video, how);
    this.part(".off").hidden = false;
    this.freeze(false);
    this.renew();
    this.shown = -1;
    try {
      await this.video.play();
    } catch (error) {
      if (this.source !== name) return;
      this.drop();
      this.say(`${name} can't be played by this browser (${error.name}): try an H.264 clip in .mp4.`);
      return;
    }
    this.shown = this.frames;
    this.listenToFrames();
  }

  /** A clip can't be read on: what comes before plays again, unless nothing does. */
  async broke() {
    const { source, video } = this;
    if (!source || this.stream || this.shown < 0) return; // what can't be played at all is told where it begins
    const nothing = this.frames === this.shown, told = `${source} can't be read past ${video.currentTime.toFixed(1)} s`;
    this.shown = this.frames;
    try {
      if (nothing) throw new Error("no picture");
      video.load();
      await video.play();
      this.say(`${told}; what comes before plays again. Copy the clip from the card again.`);
      this.listenToFrames();
    } catch {
      if (this.source !== source) return;
      this.drop();
      this.say(`${told}: is its card still there? Choose it again, or another.`);
    }
  }

  /** Look at the source anew: another one, or one that has changed its size. */
  renew() {
    this.looked = 0;
    this.inside = null;
    this.fit = null;
    this.times = [];
  }

  drop() {
    for (const track of this.stream?.getTracks() ?? []) track.stop();
    this.stream = null;
    this.source = "";
    this.video.pause();
    this.video.srcObject = null;
    this.video.removeAttribute("src");
    this.video.load();
    if (this.address) URL.revokeObjectURL(this.address);
    this.address = "";
    this.part(".off").hidden = true;
    this.part(".latency").textContent = "";
    this.run = (this.run ?? 0) + 1;
    if (this.bender) this.bender.there = false;
    this.fit = null;
    if (!this.ended) this.draw();
  }

  listenToFrames() {
    const run = (this.run = (this.run ?? 0) + 1), { video } = this;
    const next = video.requestVideoFrameCallback ? (done) => video.requestVideoFrameCallback(done) : (done) => requestAnimationFrame((now) => done(now, {}));
    const each = (now, about) => {
      if (this.ended || run !== this.run) return;
      next(each);
      if (video.readyState >= 2 && video.videoWidth) this.came(now, about);
    };
    next(each);
  }

  /** A frame of the source is there. */
  came(now, about) {
    if (this.frozen || !this.bender || !this.table || this.bender.gl.isContextLost()) return;
    const { video } = this, size = [video.videoWidth, video.videoHeight];
    if (this.size?.join() !== size.join()) {
      if (this.size && this.looked) this.say(`The source has changed its size to ${size[0]} x ${size[1]}.`);
      this.size = size;
      this.renew();
    }
    this.look();
    this.taken = { wall: new Date(), at: this.stream ? null : about.mediaTime ?? video.currentTime };
    this.bender.take(video);
    this.frames += 1;
    this.draw();
    const from = this.stream ? about.captureTime ?? now : now;
    // What is drawn now is on the screen when the browser begins its next picture, which is not yet the first that it asks for.
    requestAnimationFrame(() => requestAnimationFrame((shown) => this.late(shown - from, this.stream && about.captureTime)));
  }

  /** Find where the source's picture ends; Python is told when enough frames have been looked at. */
  look() {
    this.looked += 1;
    if (!LOOKS.includes(this.looked)) return;
    const [width, height] = this.size, eye = (this.eye ??= document.createElement("canvas"));
    if (eye.width !== width || eye.height !== height) [eye.width, eye.height] = [width, height];
    const pen = eye.getContext("2d", { willReadFrequently: true });
    pen.drawImage(this.video, 0, 0, width, height);
    const { data } = pen.getImageData(0, 0, width, height);
    const bright = (i) => 0.299 * data[i] + 0.587 * data[i + 1] + 0.114 * data[i + 2] > DARK;
    const row = (y) => { for (let x = 0; x < width; x++) if (bright(4 * (y * width + x))) return true; return false; };
    const column = (x) => { for (let y = 0; y < height; y++) if (bright(4 * (y * width + x))) return true; return false; };
    const first = (test, from, to, step) => { for (let i = from; i !== to; i += step) if (test(i)) return i; return null; };
    const top = first(row, 0, height, 1);
    if (top !== null) {
      const [a, b] = [[first(column, 0, width, 1), top], [first(column, width - 1, -1, -1) + 1, first(row, height - 1, -1, -1) + 1]];
      const i = this.inside;
      this.inside = i ? [Math.min(i[0], a[0]), Math.min(i[1], a[1]), Math.max(i[2], b[0]), Math.max(i[3], b[1])] : [...a, ...b];
    }
    const told = JSON.stringify([this.size, this.inside]);
    if (this.looked === LOOKS.at(-3) || (this.looked > LOOKS.at(-3) && told !== this.told)) {
      this.told = told;
      this.n += 1;
      this.send?.("source", { n: this.n, size: this.size, inside: this.inside });
    }
  }

  late(ms, captured) {
    if (!this.source) return;
    this.times.push(ms);
    if (this.times.length > TIMES) this.times.shift();
    if (this.times.length % 10) return;
    const sorted = [...this.times].sort((a, b) => a - b);
    this.latency = sorted[Math.floor(sorted.length / 2)];
    const from = captured ? "From the capture device's picture to the frame on this screen" : "From the browser's picture to the frame on this screen";
    this.part(".latency").textContent = `${from}: ${Math.round(this.latency)} ms (middle of the last ${sorted.length}); what the video link, the goggles and the screen add is not in it.`;
  }

  // -------------------------------------------------------------------------------------------- from the hand

  listen() {
    this.part(".camera").addEventListener("click", () => this.camera());
    this.part(".devices").addEventListener("change", (event) => this.camera(event.target.value));
    this.part(".clip input").addEventListener("change", (event) => { if (event.target.files[0]) this.clip(event.target.files[0]); event.target.value = ""; });
    this.video.addEventListener("error", () => this.broke());
    this.part(".off").addEventListener("click", () => { this.drop(); this.say("No source."); });
    this.part(".distance input").addEventListener("input", (event) => this.to(Number(event.target.value)));
    this.part(".which-frame select").addEventListener("change", (event) => { this.frame = Number(event.target.value); this.draw(); });
    for (const box of this.box.querySelectorAll(".drawn input")) box.addEventListener("change", () => this.draw());
    this.part(".freeze").addEventListener("click", () => this.freeze(!this.frozen));
    this.part(".still").addEventListener("click", () => this.save());
    this.part(".full").addEventListener("click", () => this.full());
    this.part(".second").addEventListener("click", () => this.full(true));
    this.part(".second").hidden = !(globalThis.screen?.isExtended && globalThis.getScreenDetails);
    this.part(".stage").addEventListener("keydown", (event) => {
      const by = {
        ArrowLeft: () => this.to(this.stop - 1), ArrowDown: () => this.to(this.stop - 1), ArrowRight: () => this.to(this.stop + 1), ArrowUp: () => this.to(this.stop + 1),
        PageUp: () => this.toSet(-1), PageDown: () => this.toSet(1), " ": () => this.freeze(!this.frozen), s: () => this.save(), f: () => this.full(),
      }[event.key];
      if (!by || event.target !== event.currentTarget || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      by();
    });
    const canvas = this.part("canvas.gl");
    canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
    canvas.addEventListener("webglcontextrestored", () => {
      this.start();
      if (this.bender && this.table) this.bender.setPart(this.table);
      if (this.source && this.bender && this.video.readyState >= 2) this.bender.take(this.video);
      this.draw();
    });
  }

  to(stop) {
    this.stop = Math.min(Math.max(stop, 0), this.data.stops.length - 1);
    this.draw();
  }

  /** The next or last set of lines from where the distance stands. */
  toSet(way) {
    const stops = this.data.sets.map((set) => set.stop).filter((stop) => (way > 0 ? stop > this.stop : stop < this.stop));
    if (stops.length) this.to(way > 0 ? Math.min(...stops) : Math.max(...stops));
  }

  freeze(on) {
    this.frozen = on;
    const button = this.part(".freeze");
    button.setAttribute("aria-pressed", String(on));
    button.textContent = on ? "Go on" : "Freeze";
    if (!this.stream && this.source) on ? this.video.pause() : this.video.play().catch(() => {});
    this.draw();
  }

  async full(other = false) {
    const stage = this.part(".stage");
    if (document.fullscreenElement) return document.exitFullscreen();
    const details = other ? await globalThis.getScreenDetails().catch(() => null) : null;
    const screen = details?.screens.find((each) => each !== details.currentScreen);
    await stage.requestFullscreen(screen ? { screen } : {}).catch(() => this.say("This browser shows nothing full screen."));
    stage.focus();
  }

  /** The moment as a PNG: the frame, and beside it (below) when, which pairing and which distance. */
  save() {
    if (!this.bender?.there || !this.fit) return this.say("There is no picture to save yet.");
    this.bender.draw({ frame: this.frame, stop: this.stop, fit: this.fit, height: STILL_PX });
    const { width, height } = this.bender.canvas, out = document.createElement("canvas"), line = 34;
    const when = this.taken.wall, local = new Date(when.getTime() - when.getTimezoneOffset() * 60000).toISOString().slice(0, 23).replace("T", " ");
    const distance = this.data.stops[this.stop], clip = this.taken.at === null ? "" : ` at ${this.taken.at.toFixed(3)} s`;
    const words = [`Foretold for ${distance} from the goggles' picture; not the recording.`, `${local}  |  ${this.data.title}  |  frame ${this.table.frames[this.frame].name}`, `${this.source}${clip}`];
    [out.width, out.height] = [width, height + line * words.length + 20];
    const pen = out.getContext("2d");
    pen.fillStyle = "#0b0e11";
    pen.fillRect(0, 0, out.width, out.height);
    pen.drawImage(this.bender.canvas, 0, 0);
    pen.fillStyle = "#fff";
    pen.font = "24px sans-serif";
    words.forEach((text, i) => pen.fillText(text, 16, height + line * (i + 1), width - 32));
    this.draw();
    const name = `foretold ${local} ${distance}.png`.replace(/[: ]+/g, "-");
    this.saved = out;
    out.toBlob((blob) => {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(blob);
      link.download = name;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    });
    this.say(`Saved ${name}.`);
  }

  // -------------------------------------------------------------------------------------------- pictures

  draw() {
    if (!this.data || !this.table || this.ended) return;
    const frame = this.table.frames[this.frame], label = this.data.stops[this.stop], slider = this.part(".distance input");
    this.box.style.setProperty("--frame", frame.aspect);
    this.box.style.setProperty("--wide", this.size && this.source ? this.size[0] / this.size[1] : 16 / 9);
    if (slider.value !== String(this.stop)) slider.value = this.stop;
    slider.setAttribute("aria-valuetext", label);
    this.part(".distance .out").textContent = label;
    this.data.sets.forEach((set, i) => this.part(".sets").children[i]?.setAttribute("aria-pressed", String(set.stop === this.stop)));
    const said = `The frame ${frame.name} as it will be recorded of what stands at ${label}${this.frozen ? "; frozen" : ""}${this.source && this.fit ? "" : "; no picture yet"}.`;
    this.part("canvas.gl").setAttribute("aria-label", said);
    this.part(".frame figcaption").textContent = said;
    const box = this.part(".frame .picture").getBoundingClientRect(), ratio = Math.min(globalThis.devicePixelRatio || 1, 2);
    if (!box.height) return;
    if (this.bender && !this.bender.gl.isContextLost() && this.bender.part)
      this.bender.draw({ frame: this.frame, stop: this.stop, fit: this.fit, height: Math.min(Math.max(16, box.height * ratio), MOST_PX) });
    this.lines(frame, ratio);
  }

  pen(name, ratio) {
    const canvas = this.part(`.${name} canvas.lines`), { width, height } = canvas.getBoundingClientRect();
    [canvas.width, canvas.height] = [Math.round(width * ratio), Math.round(height * ratio)];
    const pen = canvas.getContext("2d");
    const stroke = (points, { closed = true, dash = [], thick = 1.5 } = {}) => {
      for (const [ink, more, dashes] of [["rgba(11,14,17,.75)", 2, []], ["#fff", 0, dash]]) {
        pen.strokeStyle = ink;
        pen.lineWidth = (thick + more) * ratio;
        pen.setLineDash(dashes.map((d) => d * ratio));
        pen.beginPath();
        points.forEach(([x, y], i) => pen[i ? "lineTo" : "moveTo"](x * canvas.width, y * canvas.height));
        if (closed) pen.closePath();
        pen.stroke();
      }
    };
    const write = (text, x, y) => {
      pen.font = `${13 * ratio}px sans-serif`;
      const at = [x * canvas.width + 5 * ratio, y * canvas.height + 16 * ratio];
      pen.lineWidth = 3 * ratio;
      pen.setLineDash([]);
      pen.strokeStyle = "rgba(11,14,17,.85)";
      pen.strokeText(text, ...at);
      pen.fillStyle = "#fff";
      pen.fillText(text, ...at);
    };
    return { stroke, write };
  }

  lines(frame, ratio) {
    const rect = (l, t, r, b) => [[l, t], [r, t], [r, b], [l, b]];
    const on = (name) => this.part(`[name=${name}]`).checked;
    const over = this.pen("frame", ratio), [l, t, r, b] = frame.part;
    if (on("safe")) this.data.safe.forEach(([share, label], i, all) => { // both named inside the inner one: the strip between them is too thin for words
      const edge = (1 - share) / 2, inner = (1 - all.at(-1)[0]) / 2;
      over.stroke(rect(edge, edge, 1 - edge, 1 - edge));
      over.write(`${i ? "inner" : "outer"}: ${label}`, inner, 1 - inner - (6 + 18 * (all.length - i)) / this.part(".frame .picture").clientHeight);
    });
    if (on("others")) this.table.frames.forEach((other, i) => {
      if (i === this.frame) return;
      const [ol, ot, or, ob] = [(other.part[0] - l) / (r - l), (other.part[1] - t) / (b - t), (other.part[2] - l) / (r - l), (other.part[3] - t) / (b - t)];
      over.stroke(rect(ol, ot, or, ob), { dash: [8, 5], thick: 2 });
      over.write(other.name, Math.max(ol, 0), Math.max(ot, 0.06));
    });
    if (on("level")) over.stroke([[0.02, 0.5], [0.98, 0.5]], { closed: false });
    const wide = this.pen("wide", ratio);
    if (!this.fit || !this.source) return;
    const [nx, ny] = this.table.cells, base = 3 * (nx + 1) * (ny + 1) * this.stop;
    const place = (u, v) => { // of a share of the union of all frames, between its grid's corners
      const i = Math.min(Math.floor(u * nx), nx - 1), j = Math.min(Math.floor(v * ny), ny - 1), [a, c] = [u * nx - i, v * ny - j];
      const at = (k) => this.places.subarray(base + 3 * k, base + 3 * k + 3), k = j * (nx + 1) + i;
      const four = [at(k), at(k + 1), at(k + nx + 1), at(k + nx + 2)];
      if (four.some((each) => each[2] < 1)) return null;
      return [0, 1].map((n) => ((1 - c) * ((1 - a) * four[0][n] + a * four[1][n]) + c * ((1 - a) * four[2][n] + a * four[3][n])) * this.fit.scale[n] + this.fit.shift[n]);
    };
    const side = Array.from({ length: 17 }, (_, i) => i / 16);
    const ring = [...side.map((s) => [l + s * (r - l), t]), ...side.map((s) => [r, t + s * (b - t)]), ...side.map((s) => [r - s * (r - l), b]), ...side.map((s) => [l, b - s * (b - t)])];
    wide.stroke(ring.map(([u, v]) => place(u, v)).filter(Boolean), { thick: 2 });
  }
}

export default function ({ data, parentElement, setStateValue }) {
  const foretold = (parentElement.framematchForetold ??= new Foretold(parentElement));
  if (data) foretold.update(data[0], setStateValue);
  return () => {
    foretold.end();
    delete parentElement.framematchForetold;
  };
}
