// What a hand places in the look from outside: an opening by two opposite corners, points of a path.
// Plain rays against the scene's triangles and level planes; no lens is in it.

const REACH_PX = 24; // round a point, for a finger
const STILL_PX = 6; // a press that moves no farther is a click
const SLANT = 0.03; // a ray flatter than this to a level plane meets it too far away

/** How far along a ray its first triangle lies, beyond a hand's breadth; infinity for none. Places are (3 n, 3). */
export function firstHit(places, from, way) {
  let first = Infinity;
  const [ox, oy, oz] = from, [dx, dy, dz] = way;
  for (let i = 0; i + 8 < places.length; i += 9) {
    const ax = places[i], ay = places[i + 1], az = places[i + 2];
    const ux = places[i + 3] - ax, uy = places[i + 4] - ay, uz = places[i + 5] - az;
    const vx = places[i + 6] - ax, vy = places[i + 7] - ay, vz = places[i + 8] - az;
    const px = dy * vz - dz * vy, py = dz * vx - dx * vz, pz = dx * vy - dy * vx;
    const det = ux * px + uy * py + uz * pz;
    if (det > -1e-14 && det < 1e-14) continue;
    const tx = ox - ax, ty = oy - ay, tz = oz - az;
    const s = (tx * px + ty * py + tz * pz) / det;
    if (s < 0 || s > 1) continue;
    const qx = ty * uz - tz * uy, qy = tz * ux - tx * uz, qz = tx * uy - ty * ux;
    const t = (dx * qx + dy * qy + dz * qz) / det;
    if (t < 0 || s + t > 1) continue;
    const far = (vx * qx + vy * qy + vz * qz) / det;
    if (far > 0.1 && far < first) first = far;
  }
  return first;
}

export class Placing {
  constructor(live) {
    this.live = live;
    this.mode = "";
    this.corners = [];
    this.held = -1;
    this.can = { opening: false, points: [] };
    this.part(".put-opening").addEventListener("click", () => this.turn("opening"));
    this.part(".put-point").addEventListener("click", () => this.turn("point"));
  }

  part(selector) {
    return this.live.part(selector);
  }

  update(can, send) {
    this.send = send;
    this.can = can ?? this.can;
    if (this.held < 0) this.points = this.can.points.map((p) => ({ ...p, at: [...p.at] }));
    if (this.mode === "opening" && !this.can.opening) this.turn("");
    this.shown();
  }

  shown() {
    const outside = this.live.outside;
    this.part(".put-opening").hidden = !outside || !this.can.opening;
    this.part(".put-point").hidden = !outside || !this.can.points.length;
    if (!outside && this.mode) this.turn("");
  }

  turn(mode) {
    this.mode = mode === this.mode ? "" : mode;
    this.corners = [];
    this.part(".put-opening").setAttribute("aria-pressed", String(this.mode === "opening"));
    this.part(".put-point").setAttribute("aria-pressed", String(this.mode === "point"));
    this.live.box.classList.toggle("putting", this.mode !== "");
    this.tell();
    this.live.ask();
  }

  tell(words = "") {
    const usual = {
      opening: this.corners.length ? "Now the corner across from it. Escape leaves it." : "Click one corner of the opening, on the wall beside it.",
      point: "Click where the path is to lead; the point stands as high as the last one.",
    };
    this.live.say(words || usual[this.mode] || "");
  }

  /** The ray under a pointer: from where, and which way, scene axes. */
  ray(event) {
    const box = this.part(".wide .picture").getBoundingClientRect(), eye = this.live.eye(this.live.pose());
    const [u, v] = [(2 * (event.clientX - box.left)) / box.width - 1, (2 * (event.clientY - box.top)) / box.height - 1];
    const way = turned(eye.turn, [(u * eye.slope * box.width) / box.height, v * eye.slope, 1]), n = Math.hypot(...way);
    return { from: eye.at, way: way.map((w) => w / n) };
  }

  /** Where it meets the scene's surface; null for the sky. */
  surface({ from, way }) {
    const scene = this.live.painter?.scene?.part;
    if (!scene) return null;
    const far = firstHit(scene.array("places"), from.map((v, i) => v - scene.origin[i]), way);
    return Number.isFinite(far) ? from.map((v, i) => v + far * way[i]) : null;
  }

  /** Where it meets the level plane of a height; null where it hardly does. */
  level({ from, way }, height) {
    const far = (height - from[1]) / way[1];
    return Math.abs(way[1]) < SLANT || far <= 0 ? null : from.map((v, i) => v + far * way[i]);
  }

  /** Where it meets the upright plane through a place that faces the eye. */
  upright({ from, way }, place) {
    const out = [from[0] - place[0], 0, from[2] - place[2]], slope = way[0] * out[0] + way[2] * out[2];
    const far = ((place[0] - from[0]) * out[0] + (place[2] - from[2]) * out[2]) / slope;
    return far > 0 ? [place[0], from[1] + far * way[1], place[2]] : null;
  }

  /** Whether a press is ours; else it turns the look. */
  down(event) {
    if (!this.live.outside) return false;
    const box = this.part(".wide .picture").getBoundingClientRect(), at = [event.clientX - box.left, event.clientY - box.top];
    if (this.mode) {
      this.press = at; // a press that moves still turns the look
      return false;
    }
    const ratio = this.part("canvas.lines").width / box.width;
    const away = (this.spots ?? []).map((spot) => (spot ? Math.hypot(spot[0] / ratio - at[0], spot[1] / ratio - at[1]) : Infinity));
    const near = away.indexOf(Math.min(...away));
    if (!(away[near] <= REACH_PX)) return false;
    this.held = near;
    return true;
  }

  move(event) {
    if (this.held >= 0) {
      const point = this.points[this.held], ray = this.ray(event);
      const to = event.shiftKey ? this.upright(ray, point.at) : this.level(ray, point.at[1]);
      if (to) this.live.moved(() => { point.at = to; point.moved = true; });
      return true;
    }
    if (this.mode === "opening" && this.corners.length) {
      this.hover = this.surface(this.ray(event));
      this.live.ask();
    }
    return false;
  }

  up(event) {
    if (this.held >= 0) {
      const which = this.held, point = this.points[which];
      this.held = -1;
      if (point.moved) this.send?.("placed", { point: which, at: point.at });
      return;
    }
    if (!this.mode || !this.press) return;
    const box = this.part(".wide .picture").getBoundingClientRect(), moved = Math.hypot(event.clientX - box.left - this.press[0], event.clientY - box.top - this.press[1]);
    this.press = null;
    if (event.type === "pointercancel" || moved > STILL_PX) return;
    const ray = this.ray(event);
    if (this.mode === "point") {
      const last = this.points[this.points.length - 1], to = this.level(ray, last.at[1]);
      if (!to) return this.tell("That lies too far away; look from higher up.");
      this.send?.("placed", { at: to });
      return this.turn("");
    }
    const corner = this.surface(ray);
    if (!corner) return this.tell("Nothing is there: click the wall beside the corner.");
    this.corners.push(corner);
    if (this.corners.length < 2) return this.tell();
    this.send?.("placed", { corners: [...this.corners, ray.from] });
    this.turn("");
  }

  /** Over the look from outside: the corners so far, and each point that can be moved. */
  draw(pen, stroke, seen, spot, ratio) {
    if (this.corners.length) {
      const a = this.corners[0], b = this.hover ?? a;
      stroke([a, [b[0], a[1], b[2]], b, [a[0], b[1], a[2]], a], "#ffffff", 2, [6, 4]);
    }
    this.spots = [...(this.points ?? []).map((p) => p.at), ...this.corners].map((at) => { const c = seen(at); return c[2] > 0.05 ? spot(c) : null; });
    this.spots.forEach((at, i) => {
      if (!at) return;
      pen.setLineDash([]);
      pen.lineWidth = 2 * ratio;
      pen.strokeStyle = "#0b0e11";
      pen.fillStyle = "#ffe033";
      pen.beginPath();
      pen.arc(...at, (i < this.points.length ? 11 : 5) * ratio, 0, 7);
      pen.fill();
      pen.stroke();
      if (i >= this.points.length) return;
      pen.fillStyle = "#0b0e11";
      pen.font = `600 ${12 * ratio}px sans-serif`;
      pen.textAlign = "center";
      pen.textBaseline = "middle";
      pen.fillText(this.points[i].name, ...at);
    });
    this.spots.length = this.points?.length ?? 0;
  }
}

