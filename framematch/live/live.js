// Both views of a pairing over a scene, drawn by the visitor's own screen. Raw WebGL2, no outside library.
// All lens mathematics stays in Python: what comes here are grids of rays and tables of places (see grids.py).
// The scene is drawn into perspective faces round each camera, and a grid that carries rays looks them up.

const NEAR_M = 0.02;
const TEXELS = 2; // face texels per pixel each way where they are fewest, as the server's rasteriser has it
const MOST_TEXELS = 14e6;
const MARGIN = 3;
const COUNTED_PX = 320; // width of the picture in which hidden pixels are counted
const SINGLE_COS = Math.cos((60 * Math.PI) / 180);
const FRONT = [1, 0, 0, 0, 1, 0, 0, 0, 1]; // rows: right, down and out of a face in camera axes
const CUBE = [
  FRONT,
  [0, 0, -1, 0, 1, 0, 1, 0, 0],
  [0, 0, 1, 0, 1, 0, -1, 0, 0],
  [1, 0, 0, 0, 0, -1, 0, 1, 0],
  [1, 0, 0, 0, 0, 1, 0, -1, 0],
  [-1, 0, 0, 0, 1, 0, 0, 0, -1],
];

// ------------------------------------------------------------------------------------------------ poses

// A pose is {turn: 9 numbers row by row, at: 3}; a_from_b turns what is written in b into a.
export const after = (a, b) => ({
  turn: [0, 1, 2].flatMap((i) => [0, 1, 2].map((j) => a.turn[3 * i] * b.turn[j] + a.turn[3 * i + 1] * b.turn[3 + j] + a.turn[3 * i + 2] * b.turn[6 + j])),
  at: [0, 1, 2].map((i) => a.turn[3 * i] * b.at[0] + a.turn[3 * i + 1] * b.at[1] + a.turn[3 * i + 2] * b.at[2] + a.at[i]),
});
export const inverse = (a) => {
  const turn = [0, 1, 2].flatMap((i) => [0, 1, 2].map((j) => a.turn[3 * j + i]));
  return { turn, at: [0, 1, 2].map((i) => -(turn[3 * i] * a.at[0] + turn[3 * i + 1] * a.at[1] + turn[3 * i + 2] * a.at[2])) };
};
const turned = (m, v) => [0, 1, 2].map((i) => m[3 * i] * v[0] + m[3 * i + 1] * v[1] + m[3 * i + 2] * v[2]);

/** The pose of a row of 7 numbers (place, quaternion x y z w), or between two rows. */
export function poseOf(rows, index, share = 0) {
  const row = (i) => rows.subarray ? rows.subarray(7 * i, 7 * i + 7) : rows.slice(7 * i, 7 * i + 7);
  const a = row(index);
  const b = share ? row(index + 1) : a;
  const side = a[3] * b[3] + a[4] * b[4] + a[5] * b[5] + a[6] * b[6] < 0 ? -1 : 1;
  const m = Array.from(a, (v, i) => v + ((i > 2 ? side : 1) * b[i] - v) * share);
  const n = Math.hypot(m[3], m[4], m[5], m[6]);
  const [x, y, z, w] = [m[3] / n, m[4] / n, m[5] / n, m[6] / n];
  return {
    at: m.slice(0, 3),
    turn: [
      1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w),
      2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w),
      2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y),
    ],
  };
}

// ------------------------------------------------------------------------------------------------ faces

/**
 * Which perspective faces a grid needs, at which resolution.
 * @param grid {rays, cells}, @param placed share of the view of a grid corner, @param size of the view in pixels.
 */
export function plan(grid, placed, size, texels) {
  const [nx, ny] = grid.cells;
  const px = [(placed(1, 0)[0] - placed(0, 0)[0]) * size[0] / nx, (placed(0, 1)[1] - placed(0, 0)[1]) * size[1] / ny];
  const edge = [1.5 / nx * Math.max(1, px[0] * nx / size[0]), 1.5 / ny * Math.max(1, px[1] * ny / size[1])];
  const used = new Uint8Array((nx + 1) * (ny + 1));
  let least = 1;
  for (let j = 0, k = 0; j <= ny; j++) {
    for (let i = 0; i <= nx; i++, k++) {
      const [x, y] = placed(i / nx, j / ny);
      if (x < -edge[0] || x > 1 + edge[0] || y < -edge[1] || y > 1 + edge[1]) continue;
      if (grid.rays[4 * k + 3] < -0.02) continue;
      const cos = grid.rays[4 * k + 2] / Math.hypot(grid.rays[4 * k], grid.rays[4 * k + 1], grid.rays[4 * k + 2]);
      used[k] = 1;
      least = Math.min(least, cos);
    }
  }
  const single = least > SINGLE_COS;
  const faces = [];
  for (const axes of single ? [FRONT] : CUBE) {
    const low = [Infinity, Infinity], high = [-Infinity, -Infinity], steps = [];
    let mine = 0;
    const flat = (k) => {
      const [x, y, z] = turned(axes, grid.rays.subarray(4 * k, 4 * k + 3));
      return z > 0.1 ? [x / z, y / z] : null;
    };
    for (let k = 0; k < used.length; k++) {
      if (!used[k]) continue;
      const f = flat(k);
      if (!f) continue;
      const away = Math.max(Math.abs(f[0]), Math.abs(f[1]));
      if (!single && away > 1.1) continue;
      if (single || away < 1.05) mine++;
      for (const a of [0, 1]) { low[a] = Math.min(low[a], f[a]); high[a] = Math.max(high[a], f[a]); }
      for (const [step, per, ends] of [[1, px[0], k % (nx + 1) === nx], [nx + 1, px[1], k + nx + 1 >= used.length]]) {
        const g = ends || grid.rays[4 * k + 3] < 0 || !(grid.rays[4 * (k + step) + 3] >= 0) ? null : flat(k + step);
        if (g) steps.push(Math.hypot(g[0] - f[0], g[1] - f[1]) / per);
      }
    }
    if (!mine || !steps.length) continue;
    if (!single) for (const a of [0, 1]) { low[a] = Math.max(low[a], -1); high[a] = Math.min(high[a], 1); }
    steps.sort((a, b) => a - b);
    faces.push({ axes, low, high, focal: texels / Math.max(steps[Math.floor(steps.length / 20)], 1e-9) });
  }
  const total = faces.reduce((sum, f) => sum + f.focal ** 2 * (f.high[0] - f.low[0]) * (f.high[1] - f.low[1]), 0);
  const shrink = Math.min(1, Math.sqrt(MOST_TEXELS / Math.max(total, 1)));
  for (const f of faces) {
    f.focal = Math.min(f.focal * shrink, 4000 / Math.max(f.high[0] - f.low[0], f.high[1] - f.low[1]));
    f.left = Math.floor(f.low[0] * f.focal) - MARGIN;
    f.top = Math.floor(f.low[1] * f.focal) - MARGIN;
    f.width = Math.ceil(f.high[0] * f.focal) + MARGIN - f.left;
    f.height = Math.ceil(f.high[1] * f.focal) + MARGIN - f.top;
  }
  return faces;
}

const RUN = 128; // triangles, which stand beside each other as a scene is built, that are looked at together

/** A box round each run of triangles: its middle and half its widths. */
export function boxesOf(places) {
  const step = 9 * RUN, boxes = [];
  for (let from = 0; from < places.length; from += step) {
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    for (let i = from, end = Math.min(from + step, places.length); i < end; i++) {
      const v = places[i], a = i % 3;
      if (v < low[a]) low[a] = v;
      if (v > high[a]) high[a] = v;
    }
    boxes.push([0, 1, 2].map((a) => (low[a] + high[a]) / 2).concat([0, 1, 2].map((a) => (high[a] - low[a]) / 2)));
  }
  return boxes;
}

/** First corner and count of each stretch of runs that a face may show: none of its sides has all of their box outside. */
export function stretches(boxes, count, sides) {
  const found = [];
  boxes.forEach((b, k) => {
    for (const [x, y, z, d] of sides) {
      if (x * b[0] + y * b[1] + z * b[2] + d + Math.abs(x) * b[3] + Math.abs(y) * b[4] + Math.abs(z) * b[5] < 0) return;
    }
    const last = found[found.length - 1], first = 3 * RUN * k, many = Math.min(3 * RUN, count - first);
    if (last && last[0] + last[1] === first) last[1] += many;
    else found.push([first, many]);
  });
  return found;
}

const CLEAR = 1.03; // by how much a face must face a cell's rays better than any other: room for the lines' neighbours

/** The face that the rays of each corner of a grid meet, -1 where they are near two. */
export function facesMet({ rays }, faces) {
  const best = new Int8Array(rays.length / 4).fill(-1);
  const facing = ([, , , , , , x, y, z], k) => x * rays[4 * k] + y * rays[4 * k + 1] + z * rays[4 * k + 2];
  for (let k = 0; k < best.length; k++) {
    const found = faces.map((f) => facing(f.axes, k)), most = Math.max(...found), i = found.indexOf(most);
    if (faces.length === 1 || found.every((v, j) => j === i || most > CLEAR * v)) best[k] = i;
  }
  return best;
}

/**
 * The triangles of a grid in groups, so that little need be asked for each pixel: cells whose rays all meet one face, and those that never show the frame.
 * Cells wholly past the end of the lens's domain, which stay black, are left out.
 * @param best of each corner, @param may of each cell, whether it may show the frame.
 * @returns {index, groups}: corners, and [face or -1, first corner, count, may] of each group that there is.
 */
export function grouped(grid, best, may) {
  const { rays, cells: [nx, ny] } = grid, { index } = gridMesh(grid.cells), sorted = new Map();
  for (let j = 0, cell = 0; j < ny; j++) {
    for (let i = 0; i < nx; i++, cell++) {
      const a = j * (nx + 1) + i, corners = [a, a + 1, a + nx + 1, a + nx + 2];
      if (corners.every((k) => rays[4 * k + 3] < 0)) continue;
      const key = 2 * (corners.every((k) => best[k] === best[a]) ? best[a] : -1) + may[cell];
      if (!sorted.has(key)) sorted.set(key, []);
      sorted.get(key).push(...index.subarray(6 * cell, 6 * cell + 6));
    }
  }
  let first = 0;
  const groups = [...sorted].map(([key, corners]) => [key >> 1, (first += corners.length) - corners.length, corners.length, key & 1]);
  return { index: Uint32Array.from([...sorted.values()].flat()), groups };
}

const CLOSE_M = 0.25; // nothing nearer than this is seen where a cell is said never to show the frame
const BESIDE = 0.1; // of the frame, for what lies between the places that are looked at

/** Where the corners of a wide grid lie in the recorded frame, at inverse distances from 0 to that of ``CLOSE_M``: (corner, 4, 2), NaN far outside it. */
export function shares(wide, film, { turn, shift }) {
  const { rays } = wide, n = film.table.side, out = new Float32Array(2 * rays.length).fill(NaN);
  for (let k = 0; k < rays.length / 4; k++) {
    const ray = turned(turn, rays.subarray(4 * k, 4 * k + 3)), long = Math.hypot(...ray);
    for (let i = 0; i < 4; i++) {
      const [x, y, z] = ray.map((v, a) => v / long + (shift[a] * i) / 3 / CLOSE_M), far = Math.hypot(x, y, z);
      const [u, v] = [x, y].map((w, a) => Math.round(((w / (far + z) - film.low[a]) / (film.high[a] - film.low[a])) * (n - 1)));
      if (z >= film.end * far && u >= 0 && v >= 0 && u < n && v < n) out.set(film.table.values.subarray(2 * (v * n + u), 2 * (v * n + u) + 2), 8 * k + 2 * i);
    }
  }
  return out;
}

/** Of each cell of a wide grid whether it may show the frame (1 or 0), of corners' shares and how far the lens spreads places from a middle. */
export function mayShow([nx, ny], places, middle, spread) {
  const out = new Uint8Array(nx * ny);
  const ends = [0, 1].map((a) => [-BESIDE, 1 + BESIDE].map((v) => middle[a] + (v - middle[a]) / spread));
  let any = false;
  for (let j = 0, cell = 0; j < ny; j++) {
    for (let i = 0; i < nx; i++, cell++) {
      const low = [Infinity, Infinity], high = [-Infinity, -Infinity];
      let known = 0;
      for (const k of [0, 1, nx + 1, nx + 2]) {
        for (let at = 8 * (j * (nx + 1) + i + k), end = at + 8; at < end; at += 2) {
          if (Number.isNaN(places[at])) continue;
          known++;
          for (const a of [0, 1]) { low[a] = Math.min(low[a], places[at + a]); high[a] = Math.max(high[a], places[at + a]); }
        }
      }
      out[cell] = known && (known < 16 || [0, 1].every((a) => high[a] >= ends[a][0] && low[a] <= ends[a][1])) ? 1 : 0;
      any ||= out[cell];
    }
  }
  return any ? out : out.fill(1); // a frame smaller than a cell may lie between all corners
}

/** Whether a surface may come nearer to a place than ``CLOSE_M``: a triangle is no nearer than its plane, and no nearer than a box round it. */
export function close(places, boxes, at) {
  const outside = (low, high) => Math.hypot(...at.map((v, a) => Math.max(low[a] - v, 0, v - high[a])));
  return boxes.some((b, run) => {
    if (outside([0, 1, 2].map((a) => b[a] - b[3 + a]), [0, 1, 2].map((a) => b[a] + b[3 + a])) > CLOSE_M) return false;
    for (let k = 9 * RUN * run, end = Math.min(k + 9 * RUN, places.length); k < end; k += 9) {
      const c = [0, 1, 2].map((i) => places.subarray(k + 3 * i, k + 3 * i + 3));
      if (outside([0, 1, 2].map((a) => Math.min(c[0][a], c[1][a], c[2][a])), [0, 1, 2].map((a) => Math.max(c[0][a], c[1][a], c[2][a]))) > CLOSE_M) continue;
      const [p, q, r] = [c[1], c[2], at].map((v) => [0, 1, 2].map((a) => v[a] - c[0][a]));
      const out = [p[1] * q[2] - p[2] * q[1], p[2] * q[0] - p[0] * q[2], p[0] * q[1] - p[1] * q[0]];
      if (Math.abs(out[0] * r[0] + out[1] * r[1] + out[2] * r[2]) <= CLOSE_M * Math.hypot(...out)) return true;
    }
    return false;
  });
}

// ------------------------------------------------------------------------------------------------ shaders

const HEAD = `#version 300 es
precision highp float; precision highp int; precision highp sampler2D; precision highp sampler2DArray;
`;

const SCENE_VERTEX = `${HEAD}
layout(location=0) in vec3 place; layout(location=1) in vec4 colour; layout(location=2) in vec2 uv;
uniform mat4 clip; out vec3 tint; out vec2 spot;
void main() {
  tint = colour.rgb;
  spot = vec2(uv.x, 1.0 - uv.y);
  vec4 p = clip * vec4(place, 1.0);
  // A corner beside the eye is kept within reach of a software renderer's whole numbers: a quarter of a thousandth of its distance, and far outside the face.
  float least = max(abs(p.x), abs(p.y)) / 4000.0 + 1e-6;
  if (abs(p.w) < least) p.w = p.w < 0.0 ? -least : least;
  gl_Position = p;
}`;

const SCENE_FRAGMENT = `${HEAD}
in vec3 tint; in vec2 spot; uniform sampler2D picture; uniform bool plain; out vec4 colour;
void main() { colour = vec4(plain ? tint : tint * texture(picture, spot).rgb, 1.0); }`;

const VIEW_VERTEX = `${HEAD}
layout(location=0) in vec4 ray; layout(location=1) in vec2 share;
uniform vec2 centre; uniform float spread; uniform vec4 part; out vec3 way; out float room;
void main() {
  vec2 p = centre + (share - centre) * spread;
  way = ray.xyz;
  room = ray.w;
  gl_Position = vec4(mix(part.xy, part.zw, p) * vec2(2.0, -2.0) + vec2(-1.0, 1.0), 0.0, 1.0);
}`;

// Which of some faces a ray meets. To ask for each pixel is two fifths of what a software renderer does for a marked view: there are programs for one face, too.
const FACING = (name, faces) => (faces === 1 ? `int ${name}Face(vec3 ray) { return 0; }` : `int ${name}Face(vec3 ray) {
  int best = 0;
  float most = dot(${name}Out[0], ray);
  for (int i = 1; i < ${name}Count; i++) { float d = dot(${name}Out[i], ray); if (d > most) { most = d; best = i; } }
  return best;
}`);

const VIEW_FRAGMENT = (seen, film) => `${HEAD}${film ? "#define MARKS\n" : ""}
in vec3 way; in float room; out vec4 colour;
uniform sampler2DArray seen, seenDepth, filmDepth; uniform sampler2D table;
uniform int seenCount, filmCount, seenLayer; uniform mat3 seenAxes[${seen}], filmAxes[${film || 1}];
uniform vec3 seenOut[${seen}], filmOut[${film || 1}], seenMap[${seen}], filmMap[${film || 1}];
uniform vec2 seenSize, filmSize; uniform vec3 up, zenith, horizon;
uniform bool fine, count; uniform mat3 turn; uniform vec3 shift; uniform vec2 low, high, middle; uniform float farSpread, filmEnd, filmStep, line, dim;
const float NEAR = ${NEAR_M.toFixed(4)};

${FACING("seen", seen)}
${FACING("film", film || 1)}

// Where a ray meets a face: the place in its layer, how far along the face's axis a ray of its length reaches, and the layer.
vec4 faced(vec3 ray) {
  int i = seenFace(ray);
  vec3 f = seenAxes[i] * ray;
  return vec4(seenMap[i].x * f.xy / f.z - seenMap[i].yz, f.z, float(seenLayer + i));
}

// The place of a ray's first surface in recording axes, or its direction (w = 0) where it meets the sky.
vec4 met(vec3 ray, vec4 f) {
  float d = textureLod(seenDepth, vec3(f.xy / seenSize, f.w), 0.0).r;
  if (d >= 1.0) return vec4(turn * ray, 0.0);
  return vec4(turn * (ray * (NEAR / (1.0 - d) / f.z)) + shift, 1.0);
}

// Where a direction lies in the recorded frame, as a share of it; far outside where the lens does not image it.
vec2 framed(vec3 p) {
  float far = length(p);
  int n = textureSize(table, 0).x;
  vec2 g = (p.xy / (far + p.z) - low) / (high - low) * float(n - 1), found = vec2(-9.0);
  // Software renderers carry out both sides of a branch, but leave a loop that has no rounds: most of a wide picture is far outside.
  int rounds = p.z < filmEnd * far || any(lessThan(g, vec2(0.0))) || any(greaterThan(g, vec2(float(n - 1)))) ? 0 : 1;
  for (int k = 0; k < rounds; k++) {
    vec2 c = min(floor(g), vec2(float(n - 2))), s = g - c, one = vec2(1.0 / float(n)), q = (c + 0.5) * one;
    vec2 a = mix(textureLod(table, q, 0.0).rg, textureLod(table, q + vec2(one.x, 0.0), 0.0).rg, s.x);
    vec2 b = mix(textureLod(table, q + vec2(0.0, one.y), 0.0).rg, textureLod(table, q + one, 0.0).rg, s.x);
    found = middle + (mix(a, b, s.y) - middle) * farSpread;
  }
  return found;
}

bool inside(vec2 p) { return all(greaterThanEqual(p, vec2(0.0))) && all(lessThanEqual(p, vec2(1.0))); }

// The farthest depth that the recording camera has around a place, so that a slanting surface does not hide itself.
bool hidden(vec4 p) {
  int i = filmFace(p.xyz);
  vec3 f = filmAxes[i] * p.xyz;
  vec2 t = filmMap[i].x * f.xy / f.z - filmMap[i].yz;
  float most = textureLod(filmDepth, vec3(t / filmSize, float(i)), 0.0).r;
  int rounds = most >= 1.0 || (p.w > 0.0 && f.z <= NEAR / (1.0 - most) * 1.01) ? 0 : 9;
  for (int k = 0; k < rounds; k++)
    most = max(most, textureLod(filmDepth, vec3((t + filmStep * vec2(float(k % 3 - 1), float(k / 3 - 1))) / filmSize, float(i)), 0.0).r);
  if (most >= 1.0) return false;
  return p.w == 0.0 || f.z > NEAR / (1.0 - most) * 1.01;
}

void main() {
  if (room < 0.0) { colour = vec4(0.0, 0.0, 0.0, 1.0); return; }
  vec4 f = faced(way), c = vec4(0.0);
  int side = fine ? 2 : 1;
  for (int y = 0; y < side; y++) for (int x = 0; x < side; x++)
    c += textureLod(seen, vec3((f.xy + (vec2(x, y) - 0.5) * float(side - 1)) / seenSize, f.w), 0.0);
  c /= float(side * side);
  vec3 rgb = c.rgb;
  int skies = c.a < 1.0 ? 1 : 0;
  for (int k = 0; k < skies; k++) rgb += (1.0 - c.a) * mix(horizon, zenith, sqrt(clamp(dot(up, normalize(way)), 0.0, 1.0)));
#ifdef MARKS
  {
    vec3 dx = dFdx(way) * line, dy = dFdy(way) * line;
    vec4 here = met(way, f);
    vec2 p = framed(here.xyz);
    vec2 w = max(abs(dFdx(p)), abs(dFdy(p)));
    bool in0 = inside(p);
    bool gone = false;
    int looks = in0 ? 1 : 0;
    for (int k = 0; k < looks; k++) gone = hidden(here);
    if (!in0 || gone) rgb *= dim;
    float near = min(min(p.x, 1.0 - p.x), min(p.y, 1.0 - p.y));
    int rounds = in0 && near < 1.5 * line * max(w.x, w.y) ? 4 : 0;
    for (int k = 0; k < rounds; k++) {
      vec3 beside = way + (k < 2 ? dx : dy) * (k % 2 == 0 ? 1.0 : -1.0);
      if (!inside(framed(met(beside, faced(beside)).xyz))) rgb = vec3(1.0);
    }
    if (count) { colour = vec4(in0 ? 1.0 : 0.0, gone ? 1.0 : 0.0, 0.0, 1.0); return; }
  }
#else
  rgb *= dim;
#endif
  colour = vec4(rgb, 1.0);
}`;

// ------------------------------------------------------------------------------------------------ painter

/** Draws views of a scene into one canvas; holds everything that lives in its WebGL context. */
export class Painter {
  constructor(canvas) {
    const gl = canvas.getContext("webgl2", { alpha: true, antialias: false, depth: false, stencil: false, powerPreference: "high-performance" });
    if (!gl) throw new Error("no WebGL2");
    this.gl = gl;
    this.canvas = canvas;
    this.programs = { scene: linked(gl, SCENE_VERTEX, SCENE_FRAGMENT) };
    this.framebuffer = gl.createFramebuffer();
    this.stores = {};
    this.grids = {};
    this.plans = {};
  }

  texture2d(inside, format, type, side, values) {
    const gl = this.gl;
    const texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, texture);
    gl.texImage2D(gl.TEXTURE_2D, 0, inside, side, side, 0, format, type, values);
    for (const name of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, name, gl.NEAREST);
    for (const name of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(gl.TEXTURE_2D, name, gl.CLAMP_TO_EDGE);
    return texture;
  }

  vertices(...arrays) {
    const gl = this.gl;
    const array = gl.createVertexArray();
    const buffers = [];
    gl.bindVertexArray(array);
    arrays.forEach(([values, size], index) => {
      if (!values) return;
      const buffer = gl.createBuffer();
      buffers.push(buffer);
      gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
      gl.bufferData(gl.ARRAY_BUFFER, values, gl.STATIC_DRAW);
      gl.enableVertexAttribArray(index);
      gl.vertexAttribPointer(index, size, values instanceof Float32Array ? gl.FLOAT : gl.UNSIGNED_BYTE, !(values instanceof Float32Array), 0, 0);
    });
    gl.bindVertexArray(null);
    return { array, buffers };
  }

  /** Take over a scene; resolves when its texture stands. */
  async setScene(part) {
    const gl = this.gl;
    const file = part.array("texture");
    const bitmap = file ? await picture(file, gl.getParameter(gl.MAX_TEXTURE_SIZE)) : null;
    if (gl.isContextLost()) return;
    if (this.scene) {
      for (const buffer of this.scene.mesh.buffers) gl.deleteBuffer(buffer);
      gl.deleteVertexArray(this.scene.mesh.array);
      gl.deleteTexture(this.scene.texture);
    }
    const texture = bitmap ? gl.createTexture() : null;
    if (texture) {
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.pixelStorei(gl.UNPACK_COLORSPACE_CONVERSION_WEBGL, gl.NONE);
      gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, gl.RGBA, gl.UNSIGNED_BYTE, bitmap);
      gl.generateMipmap(gl.TEXTURE_2D);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR_MIPMAP_LINEAR);
      bitmap.close?.();
    }
    const places = part.array("places");
    this.scene = { part, texture, mesh: this.vertices([places, 3], [part.array("colours"), 4], [part.array("uv"), 2]), count: places.length / 3, places, boxes: boxesOf(places) };
  }

  setRig(part) {
    const gl = this.gl;
    for (const grid of Object.values(this.grids)) {
      for (const buffer of grid.mesh.buffers) gl.deleteBuffer(buffer);
      gl.deleteVertexArray(grid.mesh.array);
      gl.deleteBuffer(grid.index);
      if (grid.table) gl.deleteTexture(grid.table.texture);
    }
    this.rig = part;
    this.grids = { wide: this.grid(part.wide, part.array("wide.rays")) };
    part.frame.rungs.forEach((rung, i) => {
      this.grids[`frame${i}`] = this.grid(rung, part.array(`frame.${i}.rays`), part.array(`frame.${i}.table`));
    });
    this.plans = {};
  }

  grid(said, rays, table) {
    const gl = this.gl;
    const { shares } = gridMesh(said.cells);
    const mesh = this.vertices([rays, 4], [shares, 2]);
    const buffer = gl.createBuffer();
    gl.bindVertexArray(mesh.array);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, buffer);
    gl.bindVertexArray(null);
    return { ...said, rays, mesh, index: buffer, table: table && { side: said.table, values: table, texture: this.texture2d(gl.RG32F, gl.RG, gl.FLOAT, said.table, table) } };
  }

  /** The rung at or below a focal length, and how far it spreads from where the axis meets the picture. */
  rung(focal) {
    const rungs = this.rig.frame.rungs;
    let i = 0;
    while (i + 1 < rungs.length && rungs[i + 1].focal <= focal * (1 + 1e-9)) i++;
    return { name: `frame${i}`, spread: focal / rungs[i].focal };
  }

  /** Layers that faces are drawn into, as large as the largest that was asked for. */
  store(name, faces) {
    const gl = this.gl;
    const old = this.stores[name];
    const up = (v) => Math.ceil(v / 64) * 64;
    const [w, h] = [up(Math.max(...faces.map((f) => f.width))), up(Math.max(...faces.map((f) => f.height)))];
    const n = faces.length;
    if (old && old.w >= w && old.h >= h && old.n >= n && old.w * old.h * old.n <= 2 * w * h * n) return old;
    if (old) for (const texture of [old.colour, old.depth]) gl.deleteTexture(texture);
    const made = { w, h, n, colour: gl.createTexture(), depth: gl.createTexture() };
    for (const [texture, kind, filter] of [[made.colour, gl.RGBA8, gl.LINEAR], [made.depth, gl.DEPTH_COMPONENT24, gl.NEAREST]]) {
      gl.bindTexture(gl.TEXTURE_2D_ARRAY, texture);
      gl.texStorage3D(gl.TEXTURE_2D_ARRAY, 1, kind, w, h, n);
      for (const side of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D_ARRAY, side, filter);
      for (const side of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(gl.TEXTURE_2D_ARRAY, side, gl.CLAMP_TO_EDGE);
    }
    return (this.stores[name] = made);
  }

  faces(name, grid, centre, spread, size, texels) {
    const key = [spread, ...size, texels].join();
    const kept = this.plans[name];
    if (kept && kept.key === key && kept.grid === grid) return kept.faces;
    const faces = plan(grid, (x, y) => [centre[0] + (x - centre[0]) * spread, centre[1] + (y - centre[1]) * spread], size, texels);
    this.plans[name] = { key, grid, faces };
    return faces;
  }

  /** Put a grid's cells in groups, anew where it meets other faces or another frame. */
  group(grid, faces, marks) {
    const gl = this.gl, axes = faces.map((f) => f.axes).join(" "), key = `${axes} ${marks?.name} ${marks?.spread}`;
    if (grid.key === key) return;
    if (grid.axes !== axes) Object.assign(grid, { axes, best: facesMet(grid, faces) });
    if (marks && grid.of !== marks.name) Object.assign(grid, { of: marks.name, places: shares(grid, marks.grid, this.rig) });
    const may = marks ? mayShow(grid.cells, grid.places, marks.grid.centre, marks.spread) : new Uint8Array(grid.cells[0] * grid.cells[1]);
    const { index, groups } = grouped(grid, grid.best, may);
    gl.bindVertexArray(grid.mesh.array);
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, index, gl.STATIC_DRAW);
    gl.bindVertexArray(null);
    Object.assign(grid, { key, groups });
  }

  /** Draw the scene from a pose into the faces of a store. */
  fill(name, faces, pose) {
    const gl = this.gl, { program, at } = this.programs.scene, store = this.store(name, faces);
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.framebuffer);
    gl.useProgram(program);
    gl.enable(gl.DEPTH_TEST);
    gl.disable(gl.SCISSOR_TEST);
    gl.clearColor(0, 0, 0, 0);
    gl.bindVertexArray(this.scene.mesh.array);
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_2D, this.scene.texture);
    gl.uniform1i(at.picture, 0);
    gl.uniform1i(at.plain, this.scene.texture ? 0 : 1);
    const cameraFromMesh = after(inverse(pose), { turn: FRONT, at: this.scene.part.origin });
    faces.forEach((face, layer) => {
      gl.framebufferTextureLayer(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, store.colour, 0, layer);
      gl.framebufferTextureLayer(gl.FRAMEBUFFER, gl.DEPTH_ATTACHMENT, store.depth, 0, layer);
      gl.viewport(0, 0, face.width, face.height);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      const m = after({ turn: face.axes, at: [0, 0, 0] }, cameraFromMesh);
      const row = (i, f, shift) => [0, 1, 2].map((j) => f * m.turn[3 * i + j] + shift * m.turn[6 + j]).concat(f * m.at[i] + shift * m.at[2]);
      const x = row(0, (2 * face.focal) / face.width, (-2 * face.left) / face.width - 1);
      const y = row(1, (2 * face.focal) / face.height, (-2 * face.top) / face.height - 1);
      const w = row(2, 1, 0);
      const z = [w[0], w[1], w[2], w[3] - 2 * NEAR_M];
      gl.uniformMatrix4fv(at.clip, false, [0, 1, 2, 3].flatMap((j) => [x[j], y[j], z[j], w[j]]));
      const beside = (a, sign) => w.map((v, i) => v + sign * a[i]);
      const sides = [beside(x, 1), beside(x, -1), beside(y, 1), beside(y, -1), beside(z, 1)];
      for (const [first, many] of stretches(this.scene.boxes, this.scene.count, sides)) gl.drawArrays(gl.TRIANGLES, first, many);
    });
    return store;
  }

  /** The program that looks up in one face of a view or in several, with marks where the frame has faces. */
  viewing(seen, film) {
    const [s, f] = [seen, film].map((n) => (n > 1 ? 6 : n));
    return (this.programs[`${s} ${f}`] ??= linked(this.gl, VIEW_VERTEX, VIEW_FRAGMENT(s, f)));
  }

  /** Put a view's grid on the canvas, or into a framebuffer of some height. */
  lay(view, grid, faces, store, pose, marks, into = null) {
    const gl = this.gl, [x, y, w, h] = view.box, part = view.part;
    const height = into ? h : this.canvas.height;
    gl.bindFramebuffer(gl.FRAMEBUFFER, into);
    gl.disable(gl.DEPTH_TEST);
    gl.viewport(x, height - y - h, w, h);
    gl.enable(gl.SCISSOR_TEST);
    gl.scissor(x, height - y - h, w, h);
    gl.clearColor(0, 0, 0, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    const [l, t, r, b] = [Math.round(part[0] * w), Math.round(part[1] * h), Math.round(part[2] * w), Math.round(part[3] * h)];
    gl.scissor(x + l, height - y - b, r - l, b - t);
    this.group(grid, faces, marks);
    gl.bindVertexArray(grid.mesh.array);
    for (const [face, first, count, may] of grid.groups) {
      const seen = face < 0 ? faces : [faces[face]], marked = marks && (may || marks.close) ? marks : null;
      const { program, at } = this.viewing(seen.length, marked ? marked.faces.length : 0);
      gl.useProgram(program);
      this.look(at, view, seen, Math.max(face, 0), store, pose, marked, !!into);
      gl.uniform1f(at.dim, !marks ? 1 : into && !marked ? 0 : this.rig.dim);
      gl.drawElements(gl.TRIANGLES, count, gl.UNSIGNED_INT, 4 * first);
    }
  }

  /** What a view's program looks up, and where. */
  look(at, view, faces, layer, store, pose, marks, count) {
    const gl = this.gl;
    const bind = (unit, kind, texture, name) => {
      gl.activeTexture(gl.TEXTURE0 + unit);
      gl.bindTexture(kind, texture);
      gl.uniform1i(at[name], unit);
    };
    const said = (prefix, list) => {
      gl.uniform1i(at[`${prefix}Count`], list.length);
      const pad = (f) => Array.from({ length: list.length > 1 ? 6 : 1 }, (_, i) => f(list[i] || list[0])).flat();
      gl.uniformMatrix3fv(at[`${prefix}Axes`], true, pad((f) => f.axes));
      gl.uniform3fv(at[`${prefix}Out`], pad((f) => f.axes.slice(6)));
      gl.uniform3fv(at[`${prefix}Map`], pad((f) => [f.focal, f.left, f.top]));
    };
    bind(0, gl.TEXTURE_2D_ARRAY, store.colour, "seen");
    said("seen", faces);
    gl.uniform1i(at.seenLayer, layer);
    gl.uniform2f(at.seenSize, store.w, store.h);
    gl.uniform2fv(at.centre, view.centre);
    gl.uniform1f(at.spread, view.spread);
    gl.uniform4fv(at.part, view.part);
    gl.uniform3fv(at.up, [pose.turn[3], pose.turn[4], pose.turn[5]]);
    gl.uniform3fv(at.zenith, this.scene.part.zenith);
    gl.uniform3fv(at.horizon, this.scene.part.horizon);
    gl.uniform1i(at.fine, view.texels >= TEXELS ? 1 : 0);
    if (marks) {
      bind(1, gl.TEXTURE_2D_ARRAY, store.depth, "seenDepth");
      bind(2, gl.TEXTURE_2D_ARRAY, marks.store.depth, "filmDepth");
      bind(3, gl.TEXTURE_2D, marks.grid.table.texture, "table");
      said("film", marks.faces);
      gl.uniformMatrix3fv(at.turn, true, this.rig.turn);
      gl.uniform3fv(at.shift, this.rig.shift);
      gl.uniform2fv(at.low, marks.grid.low);
      gl.uniform2fv(at.high, marks.grid.high);
      gl.uniform2fv(at.middle, marks.grid.centre);
      gl.uniform1f(at.farSpread, marks.spread);
      gl.uniform1f(at.filmEnd, marks.grid.end);
      gl.uniform1f(at.filmStep, marks.texels);
      gl.uniform2f(at.filmSize, marks.store.w, marks.store.h);
      gl.uniform1f(at.line, view.line || 1);
      gl.uniform1i(at.count, count ? 1 : 0);
    }
  }

  /** Of the frame's part of the wide view as last drawn, what something hides from the recording camera, in percent; null without any. */
  async hiddenPercent() {
    const gl = this.gl, last = this.last;
    if (!last || gl.isContextLost()) return null;
    const scale = Math.min(1, COUNTED_PX / last.size[0]), [w, h] = last.size.map((v) => Math.max(1, Math.round(v * scale)));
    if (this.counted?.w !== w || this.counted.h !== h) {
      if (this.counted) gl.deleteTexture(this.counted.texture);
      const texture = gl.createTexture();
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.texStorage2D(gl.TEXTURE_2D, 1, gl.RGBA8, w, h);
      this.counted = { w, h, texture, into: this.counted?.into ?? gl.createFramebuffer() };
    }
    gl.bindFramebuffer(gl.FRAMEBUFFER, this.counted.into);
    gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, this.counted.texture, 0);
    this.lay({ ...last.view, box: [0, 0, w, h] }, last.grid, last.faces, last.store, last.mine, last.marks, this.counted.into);
    // Read through a buffer once the picture stands, so that the page need not stand still for it.
    const found = new Uint8Array(4 * w * h), held = gl.createBuffer();
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, held);
    gl.bufferData(gl.PIXEL_PACK_BUFFER, found.length, gl.STREAM_READ);
    gl.readPixels(0, 0, w, h, gl.RGBA, gl.UNSIGNED_BYTE, 0);
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, null);
    const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    gl.flush();
    while (!gl.isContextLost() && gl.getSyncParameter(fence, gl.SYNC_STATUS) !== gl.SIGNALED) await new Promise((next) => setTimeout(next, 10));
    if (gl.isContextLost()) return null;
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, held);
    gl.getBufferSubData(gl.PIXEL_PACK_BUFFER, 0, found);
    gl.bindBuffer(gl.PIXEL_PACK_BUFFER, null);
    gl.deleteBuffer(held);
    gl.deleteSync(fence);
    let seen = 0, hidden = 0;
    for (let i = 0; i < found.length; i += 4) { seen += found[i] > 0; hidden += found[i + 1] > 0; }
    return seen ? (100 * hidden) / seen : null;
  }

  /**
   * Draw.
   * @param pose scene_from_recording; @param focal mm of the recording lens;
   * @param boxes {wide, frame, outside}: left, top, width, height in canvas pixels, each or none; `unseen`: width and height
   *   that a frame is judged at which is not shown itself;
   * @param texels face texels per pixel; @param line width of the white line in pixels;
   * @param eye scene_from_eye and `slope` of half its height, for `outside`.
   */
  draw({ pose, focal, boxes, texels = TEXELS, line = 1, eye = null }) {
    const gl = this.gl;
    if (!this.scene || gl.isContextLost()) return false;
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.disable(gl.SCISSOR_TEST);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT);
    let marks = null;
    const frame = boxes.frame?.slice(2) ?? boxes.unseen;
    if (this.rig && frame) {
      const { name, spread } = this.rung(focal), grid = this.grids[name];
      const faces = this.faces("frame", grid, grid.centre, spread, frame, texels);
      const store = this.fill("frame", faces, pose);
      if (boxes.frame) this.lay({ box: boxes.frame, part: [0, 0, 1, 1], centre: grid.centre, spread, texels }, grid, faces, store, pose, null);
      marks = { name, grid, faces, store, spread, texels };
    }
    if (this.rig && boxes.wide) {
      const grid = this.grids.wide, part = this.rig.wide.shown, mine = after(pose, { turn: this.rig.turn, at: this.rig.shift });
      if (marks) marks.close = close(this.scene.places, this.scene.boxes, mine.at.map((v, a) => v - this.scene.part.origin[a]));
      const size = [boxes.wide[2] * (part[2] - part[0]), boxes.wide[3] * (part[3] - part[1])];
      const faces = this.faces("wide", grid, [0.5, 0.5], 1, size, texels);
      const store = this.fill("wide", faces, mine);
      this.lay({ box: boxes.wide, part, centre: [0.5, 0.5], spread: 1, line, texels }, grid, faces, store, mine, marks);
      this.last = marks && { size, view: { part: [0, 0, 1, 1], centre: [0.5, 0.5], spread: 1, texels }, grid, faces, store, mine, marks };
    }
    if (eye && boxes.outside) {
      const [, , w, h] = boxes.outside, v = eye.slope, u = (eye.slope * w) / h;
      if (this.grids.outside?.u !== u) this.grids.outside = { u, ...this.grid({ cells: [1, 1] }, new Float32Array([-u, -v, 1, 1, u, -v, 1, 1, -u, v, 1, 1, u, v, 1, 1])) };
      const grid = this.grids.outside, faces = this.faces("outside", grid, [0.5, 0.5], 1, [w, h], texels);
      this.lay({ box: boxes.outside, part: [0, 0, 1, 1], centre: [0.5, 0.5], spread: 1, texels }, grid, faces, this.fill("outside", faces, eye), eye, null);
    }
    if (this.fence) gl.deleteSync(this.fence);
    this.fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    return true;
  }

  /** Whether the screen is still at work on what it was last told to draw. */
  busy() {
    const { gl, fence } = this;
    return !!fence && !gl.isContextLost() && gl.getSyncParameter(fence, gl.SYNC_STATUS) !== gl.SIGNALED;
  }
}

async function picture(file, largest) {
  const plain = { colorSpaceConversion: "none", premultiplyAlpha: "none" };
  const whole = await createImageBitmap(new Blob([file]), plain);
  const share = largest / Math.max(whole.width, whole.height);
  if (share >= 1) return whole;
  return createImageBitmap(whole, { ...plain, resizeWidth: Math.floor(whole.width * share), resizeHeight: Math.floor(whole.height * share), resizeQuality: "high" });
}

// ------------------------------------------------------------------------------------------------ component

const hub = (globalThis[Symbol.for("framematch.live")] ??= { parts: new Map(), waiting: new Set() });
const REST_MS = 250; // without a change for so long, the hand rests
const LONGEST_REST_MS = 1000; // where the fine picture itself takes longer than the rest, which a hand that goes on would have to wait for
const LOST_MS = 4000; // after which a lost context counts as lost for good
const SLOW_MS = 50; // a frame that takes longer is drawn less finely while something moves
const SOFTWARE = /swiftshader|llvmpipe|softpipe|basic render|software/i;

const MARKUP = `
<div class="views"><canvas class="gl" aria-hidden="true"></canvas>
<figure class="wide"><div class="picture" role="img"><img class="guide" alt=""><canvas class="lines" aria-hidden="true"></canvas><p class="wait">Drawing the view …</p></div><figcaption></figcaption></figure>
<figure class="frame"><div class="picture" role="img"><p class="wait"></p></div><figcaption></figcaption></figure></div>
<i class="mark" aria-hidden="true"></i>
<p class="numbers"></p>
<div class="hands">
<label class="distance"><span>Distance to what is filmed <b class="out"></b></span><input type="range" min="0" step="1"></label>
<label class="focal"><span>Recording focal length <b class="out"></b></span><input type="range" min="0" step="1"></label>
</div>
<div class="run" role="group" aria-label="The run past the opening">
<button class="play" type="button">Play the run</button><button class="back" type="button" aria-label="One frame back">◂ frame</button><button class="on" type="button" aria-label="One frame on">frame ▸</button>
<label class="time"><span>Run <b class="out"></b></span><input type="range" min="0" step="1"></label>
<label class="speed"><span>Speed</span><select><option value="1">real time</option><option value="0.5">1/2</option><option value="0.25">1/4</option><option value="0.1">1/10</option></select></label>
<button class="look" type="button" aria-pressed="false">Look from outside</button>
<button class="put-opening" type="button" aria-pressed="false" hidden>Place the opening</button><button class="put-point" type="button" aria-pressed="false" hidden>Add a point</button>
<button class="full" type="button" aria-pressed="false">Full screen</button>
</div>
<p class="state" role="status"></p>`;

const filled = (text, words) => text.replace(/\{(\w+)\}/g, (_, name) => words[name] ?? "").replace(/\s+/g, " ").trim();

/** One component on the page: its elements, its painter, and what the hand has done that Python does not know yet. */
class Live {
  constructor(root) {
    this.box = document.createElement("div");
    this.box.className = "live";
    this.box.innerHTML = MARKUP;
    root.append(this.box);
    this.part = (selector) => this.box.querySelector(selector);
    this.stop = this.focal = this.time = this.sent = 0;
    this.mode = "stop";
    this.held = this.playing = this.outside = this.ended = false;
    this.orbit = { turn: 0.9, rise: 0.45, far: 9 };
    this.drawn = { scene: "", rig: "" };
    this.moves = 0; // counts changes, so that tests see that none is missed
    this.placing = new Placing(this);
    this.start();
    this.listen();
    this.onParts = () => this.take();
    this.onHidden = () => document.hidden && this.halt();
    document.addEventListener("visibilitychange", this.onHidden);
    hub.waiting.add(this.onParts);
    this.observer = new ResizeObserver(() => this.ask());
    this.observer.observe(this.part(".views"));
    this.sticker = new IntersectionObserver(([mark]) => this.stick(!mark.isIntersecting && mark.boundingClientRect.top < 1));
    this.sticker.observe(this.part(".mark"));
    document.querySelector('[data-testid="stMain"]')?.scrollTo(0, 0); // views that come in place of a long form are what is wanted next
  }

  end() {
    this.ended = true;
    hub.waiting.delete(this.onParts);
    document.removeEventListener("visibilitychange", this.onHidden);
    for (const kind of ["fullscreenchange", "keydown"]) document.removeEventListener(kind, this.onFull);
    this.observer.disconnect();
    this.sticker.disconnect();
    cancelAnimationFrame(this.frame);
    clearTimeout(this.resting);
    clearTimeout(this.loss);
    this.painter?.gl.getExtension("WEBGL_lose_context")?.loseContext();
    this.box.remove();
  }

  /** Views that have been scrolled away stay in sight, small; where there is room beside the fields they never are. */
  stick(gone) {
    if (!this.box.classList.contains("stuck")) this.box.style.minHeight = gone ? `${this.box.offsetHeight}px` : "";
    this.box.classList.toggle("stuck", gone);
    if (!gone) this.box.style.minHeight = "";
  }

  /** The goggles' picture alone, as large as the screen. */
  async fill(whole) {
    this.box.classList.toggle("whole", whole);
    const button = this.part(".full"), views = this.part(".views");
    button.setAttribute("aria-pressed", String(whole));
    if (whole) {
      await views.requestFullscreen?.().catch(() => {}); // a phone that has none still gets the page's whole width
      await screen.orientation?.lock?.("landscape").catch(() => {});
    } else if (document.fullscreenElement) await document.exitFullscreen();
    this.ask();
  }

  start() {
    const canvas = this.part("canvas.gl");
    try {
      this.painter = new Painter(canvas);
      const said = this.painter.gl.getExtension("WEBGL_debug_renderer_info");
      this.slow = SOFTWARE.test(said ? this.painter.gl.getParameter(said.UNMASKED_RENDERER_WEBGL) : "");
      this.drawn = { scene: "", rig: "" };
    } catch (error) {
      this.painter = null;
      this.cannot(`This browser can't draw the views itself (${error.message}).`);
    }
  }

  /** No drawing here: the server's pictures take over, one for each change. */
  cannot(why) {
    this.broken = why;
    this.box.dataset.drawn = "server";
    this.say(`${why} The pictures come from the server, one for each change.`);
    if (this.send) this.send("cannot", true);
  }

  say(text) {
    if (this.part(".state").textContent !== text) this.part(".state").textContent = text;
  }

  // -------------------------------------------------------------------------------------------- from Python

  update(view, send, tell) {
    const first = !this.view;
    this.send = send;
    this.view = view;
    this.placing.update(view.placing, tell);
    this.box.style.setProperty("--wide", view.aspects[0]);
    this.box.style.setProperty("--frame", view.aspects[1]);
    if (first || (!this.held && view.seen >= this.sent)) {
      this.sent = Math.max(this.sent, view.seen);
      if (this.stop !== view.stop) this.mode = "stop";
      [this.stop, this.focal] = [view.stop, view.focal];
    }
    const limits = [[".distance input", view.stops.length], [".focal input", view.focals.length]];
    for (const [name, count] of limits) this.part(name).max = Math.max(count - 1, 0);
    this.part(".focal").hidden = view.focals.length < 2;
    this.part(".distance").hidden = view.stops.length < 2;
    if (this.broken && !view.server) this.cannot(this.broken); // said once: each word of ours is a run of the page, with what its fields held before
    for (const [name, src] of [["wide", view.server?.[0]], ["frame", view.server?.[1]]]) this.fallback(name, src);
    this.take();
  }

  /** The guide's drawing and numbers: the whole of this view's guide, or what is known of it, or what the last one was. */
  takeNote() {
    const { key, of } = this.view, notes = hub.notes ?? new Map();
    const found = ["whole", "first"].map((kind) => notes.get(`${key} ${kind}`)).find((note) => note?.of === of);
    if (found) this.note = found;
    this.stale = !found;
    const guide = this.part("img.guide"), src = this.note?.guide || "";
    if (guide.getAttribute("src") !== src && src) guide.src = src;
    guide.hidden = !src || this.outside;
  }

  fallback(name, src) {
    const picture = this.part(`.${name} .picture`);
    picture.querySelector("img.server")?.remove();
    if (!src || !this.broken) return;
    const image = document.createElement("img");
    image.className = "server";
    image.alt = "";
    image.src = src;
    picture.prepend(image);
    picture.querySelector(".wait").hidden = true;
  }

  /** Take over parts that have come; what is drawn already stays until the new ones are whole. */
  async take() {
    if (!this.view || this.ended) return;
    this.takeNote();
    const { scene, rig, path } = this.view;
    if (this.path?.id !== path && hub.parts.has(path)) {
      this.path = opened(hub.parts.get(path));
      this.path.stops = this.path.array("stops");
      this.path.run = this.path.array("run");
      this.path.before = this.path.array("before");
      this.part(".time input").max = Math.max(this.path.run.length / 7 - 1, 0);
      this.part(".run").classList.toggle("without", this.path.run.length < 14);
      this.time = Math.min(this.time, this.path.run.length / 7 - 1);
      if (!this.seen) this.seen = this.path.start ?? 0;
    }
    this.words();
    if (!this.painter) return;
    if (this.drawn.rig !== rig && hub.parts.has(rig)) {
      this.painter.setRig(opened(hub.parts.get(rig)));
      this.drawn.rig = rig;
    }
    if (this.drawn.scene !== scene && hub.parts.has(scene) && this.coming !== scene) {
      this.coming = scene;
      const painter = this.painter;
      await painter.setScene(opened(hub.parts.get(scene)));
      this.coming = "";
      if (painter !== this.painter || painter.gl.isContextLost()) return;
      this.drawn.scene = scene;
      this.stir();
      this.take();
    }
    this.ask();
  }

  // -------------------------------------------------------------------------------------------- from the hand

  listen() {
    const canvas = this.part("canvas.gl");
    canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      if (this.ended) return;
      this.box.dataset.drawn = "lost";
      this.say("The screen has stopped drawing; waiting for it to come back.");
      clearTimeout(this.loss);
      this.loss = setTimeout(() => this.cannot("The screen has stopped drawing."), LOST_MS);
    });
    canvas.addEventListener("webglcontextrestored", () => {
      clearTimeout(this.loss);
      this.broken = "";
      this.say("");
      for (const name of ["wide", "frame"]) this.fallback(name, "");
      if (this.send) this.send("cannot", false);
      this.start();
      this.take();
    });
    for (const name of ["distance", "focal"]) {
      const input = this.part(`.${name} input`);
      input.addEventListener("pointerdown", () => (this.held = true));
      for (const end of ["pointerup", "pointercancel"]) input.addEventListener(end, () => (this.held = false));
      input.addEventListener("input", () => this.moved(() => {
        if (name === "distance") [this.stop, this.mode] = [Number(input.value), "stop"];
        else this.focal = Number(input.value);
        this.halt();
      }));
      input.addEventListener("change", () => {
        this.held = false;
        this.sent += 1;
        this.send?.("hand", { n: this.sent, distance_m: this.view.stops_m[this.stop], focal_mm: this.view.focals_mm[this.focal] ?? null });
      });
    }
    const time = this.part(".time input");
    time.addEventListener("input", () => this.moved(() => { this.halt(); this.at(Number(time.value)); }));
    this.part(".play").addEventListener("click", () => this.play(!this.playing));
    this.part(".back").addEventListener("click", () => this.step(-1));
    this.part(".on").addEventListener("click", () => this.step(1));
    this.part(".look").addEventListener("click", () => this.look(!this.outside));
    this.part(".full").addEventListener("click", () => this.fill(true));
    this.part(".views").addEventListener("click", () => {
      if (this.placing.mode) return;
      if (this.box.classList.contains("whole")) this.fill(false);
      else if (!this.outside && matchMedia("(max-width: 1099px)").matches) this.fill(true);
    });
    this.onFull = (event) => {
      if (event.type === "keydown" ? event.key === "Escape" : !document.fullscreenElement) if (this.box.classList.contains("whole")) this.fill(false);
    };
    for (const kind of ["fullscreenchange", "keydown"]) document.addEventListener(kind, this.onFull);
    const wide = this.part(".wide .picture");
    const pointers = new Map();
    let apart = 0;
    wide.addEventListener("pointerdown", (event) => {
      if (!this.outside) return;
      wide.setPointerCapture(event.pointerId);
      if (this.placing.down(event)) return;
      pointers.set(event.pointerId, [event.clientX, event.clientY]);
      apart = 0;
    });
    wide.addEventListener("pointermove", (event) => {
      if (this.placing.move(event)) return;
      const from = pointers.get(event.pointerId);
      if (!from) return;
      pointers.set(event.pointerId, [event.clientX, event.clientY]);
      if (pointers.size === 2) {
        const [a, b] = [...pointers.values()];
        const now = Math.hypot(a[0] - b[0], a[1] - b[1]);
        if (apart) this.around(0, 0, apart / now);
        apart = now;
      } else this.around((event.clientX - from[0]) * -0.008, (event.clientY - from[1]) * 0.008, 1);
    });
    for (const end of ["pointerup", "pointercancel"]) wide.addEventListener(end, (event) => { pointers.delete(event.pointerId); this.placing.up(event); });
    wide.addEventListener("wheel", (event) => {
      if (!this.outside) return;
      event.preventDefault();
      this.around(0, 0, Math.exp(event.deltaY * 0.001));
    }, { passive: false });
    wide.addEventListener("keydown", (event) => {
      if (!this.outside) return;
      const by = { ArrowLeft: [0.1, 0, 1], ArrowRight: [-0.1, 0, 1], ArrowUp: [0, 0.08, 1], ArrowDown: [0, -0.08, 1], "+": [0, 0, 0.9], "-": [0, 0, 1.1] }[event.key];
      if (event.key === "Escape") this.placing.mode ? this.placing.turn("") : this.look(false);
      if (!by) return;
      event.preventDefault();
      this.around(...by);
    });
  }

  moved(change) {
    change();
    this.moves += 1;
    this.stir();
  }

  /** Draw at once, on a slow screen less finely until nothing has happened for a moment. */
  stir() {
    this.hidden = null;
    this.lively = true;
    this.rest();
    this.ask();
  }

  /** The fine picture, once nothing has happened for a moment; on a slow screen not before the coarse one is seen. */
  rest() {
    clearTimeout(this.resting);
    this.resting = setTimeout(() => {
      if (this.painter?.busy()) return this.rest();
      this.lively = false;
      this.ask();
      this.words();
    }, Math.min(Math.max(REST_MS, this.fineMs ?? 0), LONGEST_REST_MS));
  }

  /** What is hidden of the frame, once the fine picture stands; dropped if the hand has moved on. */
  async count() {
    const { painter, moves } = this, start = performance.now(), turn = (this.counting = {});
    const hidden = this.outside ? null : await painter.hiddenPercent();
    if (this.counting !== turn) return;
    this.counting = null;
    if (this.ended || this.lively || this.moves !== moves || this.painter !== painter) return;
    if (!this.outside) this.fineMs = performance.now() - start;
    this.hidden = hidden;
    this.words();
  }

  at(time) {
    const last = this.path ? this.path.run.length / 7 - 1 : 0;
    this.time = Math.min(Math.max(time, 0), last);
    this.mode = "run";
  }

  halt() {
    if (this.playing) this.play(false);
  }

  play(on) {
    if (!this.path || this.path.run.length < 14) return;
    this.playing = on;
    this.part(".play").textContent = on ? "Pause" : "Play the run";
    this.then = 0;
    if (on && (this.mode !== "run" || this.time >= this.path.run.length / 7 - 1)) this.at(this.mode === "run" ? 0 : this.time < this.path.run.length / 7 - 1 ? this.time : 0);
    this.lively = on;
    this.ask();
    if (!on) this.words();
  }

  step(way) {
    this.halt();
    if (this.path) this.moved(() => this.at(Math.round(this.time + (way * this.path.rate) / this.path.fps)));
  }

  look(outside) {
    this.outside = outside;
    const button = this.part(".look"), wide = this.part(".wide .picture");
    button.setAttribute("aria-pressed", String(outside));
    button.textContent = outside ? "Back into the cameras" : "Look from outside";
    this.box.classList.toggle("outside", outside);
    if (outside) wide.tabIndex = 0;
    else wide.removeAttribute("tabindex");
    this.part("img.guide").hidden = outside || !this.note?.guide;
    this.placing.shown();
    this.ask();
    this.words();
  }

  around(turn, rise, far) {
    this.moved(() => {
      this.orbit.turn += turn;
      this.orbit.rise = Math.min(Math.max(this.orbit.rise + rise, -0.1), 1.5);
      this.orbit.far = Math.min(Math.max(this.orbit.far * far, 1.5), 60);
    });
  }

  // -------------------------------------------------------------------------------------------- pictures

  ask() {
    if (this.frame || this.ended) return;
    this.frame = requestAnimationFrame((now) => {
      this.frame = 0;
      this.tick(now);
    });
  }

  pose() {
    const origin = this.path.origin;
    const whole = Math.floor(this.time);
    const pose = this.mode === "run" ? poseOf(this.path.run, whole, this.time - whole) : poseOf(this.path.stops, this.stop);
    return { turn: pose.turn, at: pose.at.map((v, i) => v + origin[i]) };
  }

  tick(now) {
    if (!this.painter || !this.view || !this.path || this.drawn.scene === "" || this.drawn.rig === "") return;
    if (this.playing) {
      const passed = this.then ? (now - this.then) / 1000 : 0;
      this.at(this.time + passed * this.path.rate * Number(this.part(".speed select").value));
      this.moves += 1;
      if (this.time >= this.path.run.length / 7 - 1) this.play(false);
    }
    if (this.lively && this.then && now - this.then < 2000) this.pace = 0.7 * (this.pace ?? 16) + 0.3 * (now - this.then);
    this.then = now;
    if (this.pace > SLOW_MS) this.slow = true;
    const ratio = Math.min(globalThis.devicePixelRatio || 1, 2);
    const canvas = this.part("canvas.gl"), base = canvas.getBoundingClientRect();
    const [width, height] = [Math.round(base.width * ratio), Math.round(base.height * ratio)];
    if (!width || !height) return;
    if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
    const box = (name) => {
      const r = this.part(`.${name} .picture`).getBoundingClientRect();
      const [l, t, e, b] = [r.left - base.left, r.top - base.top, r.right - base.left, r.bottom - base.top].map((v) => Math.round(v * ratio));
      return [l, t, Math.max(e - l, 1), Math.max(b - t, 1)];
    };
    const pose = this.pose(), eye = this.outside ? this.eye(pose) : null;
    const focal = this.view.focals.length ? this.view.focals[this.focal] : this.view.focal_mm;
    const wide = box("wide"), alone = !this.part(".frame .picture").clientHeight;
    const boxes = { [this.outside ? "outside" : "wide"]: wide, ...(alone ? { unseen: [wide[2] / 2, wide[2] / 2 / this.view.aspects[1]] } : { frame: box("frame") }) };
    const fine = !(this.slow && (this.lively || this.playing));
    if (!this.painter.draw({ pose, focal, boxes, eye, texels: fine ? TEXELS : TEXELS / 2, line: Math.max(1, ratio) })) return;
    if (this.outside) this.lines(pose, eye, focal, ratio);
    if (this.box.dataset.drawn !== "live") {
      this.box.dataset.drawn = "live";
      for (const wait of this.box.querySelectorAll(".wait")) wait.hidden = true;
      this.say("");
    }
    this.box.dataset.fine = fine ? "yes" : "no";
    this.box.dataset.moves = this.moves;
    this.hands();
    if (this.playing) this.ask();
    else if (!this.lively) this.count();
  }

  eye(pose) {
    const { turn, rise, far } = this.orbit;
    const ahead = [pose.turn[2], pose.turn[5], pose.turn[8]];
    const heading = Math.atan2(ahead[0], -ahead[2]) + Math.PI + turn;
    const target = pose.at.map((v, i) => v + ahead[i] * 1.5);
    const from = [Math.sin(heading) * Math.cos(rise), Math.sin(rise), -Math.cos(heading) * Math.cos(rise)];
    const out = from.map((v) => -v);
    const n = Math.hypot(out[0], out[2]);
    const right = [-out[2] / n, 0, out[0] / n];
    const down = [out[1] * right[2] - out[2] * right[1], out[2] * right[0] - out[0] * right[2], out[0] * right[1] - out[1] * right[0]];
    const floor = this.painter.scene.part.ground + 0.05;
    const at = target.map((v, i) => v + from[i] * far);
    return { turn: [0, 1, 2].flatMap((i) => [right[i], down[i], out[i]]), at: [at[0], Math.max(at[1], floor), at[2]], slope: 0.5 };
  }

  /** Rays round the edge of what a grid shows, `count` on each side. */
  edge(grid, spread, count = 12) {
    const [nx, ny] = grid.cells, c = grid.centre;
    const at = (x, y) => {
      const [u, v] = [(c[0] + (x - c[0]) / spread) * nx, (c[1] + (y - c[1]) / spread) * ny];
      const k = Math.min(Math.max(Math.round(v), 0), ny) * (nx + 1) + Math.min(Math.max(Math.round(u), 0), nx);
      return [...grid.rays.subarray(4 * k, 4 * k + 3)];
    };
    const side = Array.from({ length: count }, (_, i) => i / count);
    return [...side.map((s) => at(s, 0)), ...side.map((s) => at(1, s)), ...side.map((s) => at(1 - s, 1)), ...side.map((s) => at(0, 1 - s))];
  }

  /** The rig, both pyramids of view, the path and the openings, over the look from outside. */
  lines(pose, eye, focal, ratio) {
    const canvas = this.part("canvas.lines");
    const { width, height } = canvas.getBoundingClientRect();
    [canvas.width, canvas.height] = [Math.round(width * ratio), Math.round(height * ratio)];
    const pen = canvas.getContext("2d"), back = inverse(eye);
    const seen = (p) => { const c = turned(back.turn, p); return [c[0] + back.at[0], c[1] + back.at[1], c[2] + back.at[2]]; };
    const spot = (c) => [canvas.width / 2 + ((c[0] / c[2]) * canvas.height) / 2 / eye.slope, canvas.height / 2 + ((c[1] / c[2]) * canvas.height) / 2 / eye.slope];
    const stroke = (points, colour, thick, dash = []) => {
      for (const [ink, size] of [["rgba(11,14,17,.8)", thick + 2], [colour, thick]]) {
        pen.strokeStyle = ink;
        pen.lineWidth = size * ratio;
        pen.setLineDash(dash.map((d) => d * ratio));
        pen.beginPath();
        for (let i = 0; i + 1 < points.length; i++) {
          let [a, b] = [seen(points[i]), seen(points[i + 1])];
          if (a[2] < 0.05 && b[2] < 0.05) continue;
          const cut = (p, q) => (p[2] >= 0.05 ? p : p.map((v, k) => v + ((q[k] - v) * (0.05 - p[2])) / (q[2] - p[2])));
          [a, b] = [spot(cut(a, b)), spot(cut(b, a))];
          pen.moveTo(...a);
          pen.lineTo(...b);
        }
        pen.stroke();
      }
    };
    const place = (p, frame) => turned(frame.turn, p).map((v, i) => v + frame.at[i]);
    const pyramid = (rays, frame, long, colour, dash) => {
      const ends = rays.map((r) => { const n = Math.hypot(...r); return place(r.map((v) => (v / n) * long), frame); });
      stroke([...ends, ends[0]], colour, 2, dash);
      for (let i = 0; i < 4; i++) stroke([frame.at, ends[(i * ends.length) / 4]], colour, 1.5, dash);
    };
    for (const ring of this.path.openings) stroke([...ring, ring[0]], "#ffe033", 2.5);
    const run = this.path.run, way = [];
    for (let i = 0; i < run.length / 7; i += Math.max(1, Math.floor(run.length / 7 / 200))) way.push([0, 1, 2].map((k) => run[7 * i + k] + this.path.origin[k]));
    stroke(way, "#ff9c50", 2, [6, 4]);
    const rig = this.painter.rig, { name, spread } = this.painter.rung(focal);
    pyramid(this.edge({ ...this.painter.grids.wide, centre: [0.5, 0.5] }, 1), after(pose, { turn: rig.turn, at: rig.shift }), 1.2, "#8fdcff", [5, 3]);
    pyramid(this.edge(this.painter.grids[name], spread), pose, 2.2, "#ffffff", []);
    this.placing.draw(pen, stroke, seen, spot, ratio);
    const here = seen(pose.at);
    if (here[2] > 0.05) {
      pen.setLineDash([]);
      pen.fillStyle = "#ffe033";
      pen.strokeStyle = "#0b0e11";
      pen.lineWidth = 2 * ratio;
      pen.beginPath();
      pen.arc(...spot(here), 5 * ratio, 0, 7);
      pen.fill();
      pen.stroke();
    }
  }

  // -------------------------------------------------------------------------------------------- words

  place() {
    if (this.mode === "stop") return this.view.stops[this.stop];
    const before = this.path.before[Math.round(this.time)], { unit, per_m } = this.view.length;
    const away = `${Math.abs(before * per_m).toFixed(1)} ${unit} ${before >= 0 ? "before" : "past"} the opening`;
    return `${((this.time - this.path.crossing) / this.path.rate).toFixed(2)} s, ${away}`;
  }

  /** What stands beside the sliders; follows every frame. */
  hands() {
    const view = this.view, set = (selector, value) => { const e = this.part(selector); if (e.value !== value) e.value = value; };
    set(".distance input", String(this.stop));
    set(".focal input", String(this.focal));
    set(".time input", String(Math.round(this.time)));
    const said = [[".distance", view.stops[this.stop]], [".focal", view.focal_labels[this.focal] ?? ""], [".time", this.path && this.mode === "run" ? this.place() : ""]];
    for (const [name, text] of said) {
      const out = this.part(`${name} .out`);
      if (out.textContent !== text) out.textContent = text;
      this.part(`${name} input`).setAttribute("aria-valuetext", text || "not running");
    }
    const stale = this.stale || (view.focals.length > 0 && this.focal !== view.focal);
    this.box.classList.toggle("stale", stale);
    const numbers = stale ? view.words.waiting : this.mode === "stop" ? this.note?.numbers[this.stop] ?? "" : "";
    if (this.part(".numbers").textContent !== numbers) this.part(".numbers").textContent = numbers;
  }

  /** Text alternatives and captions; follow when the hand rests. */
  words() {
    if (!this.view || (this.mode === "run" && !this.path)) return;
    const { words } = this.view;
    const hidden = !(this.hidden >= 0.5) ? "" : filled(words.hidden, { percent: String(Math.round(this.hidden)) });
    const say = { at: this.place(), numbers: this.mode === "stop" ? this.note?.numbers[this.stop] ?? "" : "", hidden };
    this.part(".wide .picture").setAttribute("aria-label", filled(this.outside ? words.outside : words.wide, say));
    this.part(".frame .picture").setAttribute("aria-label", filled(words.frame, say));
    this.part(".wide figcaption").textContent = filled(this.outside ? words.outside_caption : words.wide_caption, say);
    this.part(".frame figcaption").textContent = filled(words.frame_caption, say);
    this.hands();
  }
}

export default function ({ data, parentElement, setStateValue, setTriggerValue }) {
  const live = (parentElement.framematchLive ??= new Live(parentElement));
  if (data) live.update(data[0], setStateValue, setTriggerValue);
  return () => {
    live.end();
    delete parentElement.framematchLive;
  };
}
