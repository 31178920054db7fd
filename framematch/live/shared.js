// Stands before each module that draws from parts; see parts.py for their layout.

/** A part's head, with `array(name)` for what it carries. Bytes arrive at any offset: they are copied to an even one. */
export function opened(bytes) {
  const raw = new Uint8Array(bytes).slice();
  const length = new DataView(raw.buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(raw.subarray(4, 4 + length)));
  const array = (name) => {
    const at = head.arrays[name];
    if (!at) return null;
    return at.type === "f4" ? new Float32Array(raw.buffer, 4 + length + at.at, at.count) : raw.subarray(4 + length + at.at, 4 + length + at.at + at.count);
  };
  return { ...head, array };
}

/** A program of two shaders, and where its uniforms lie, by name. */
export function linked(gl, vertex, fragment) {
  const program = gl.createProgram();
  for (const [kind, source] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, source);
    gl.compileShader(shader);
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS) && !gl.isContextLost()) throw new Error(gl.getProgramInfoLog(program) || "shader");
  const at = {};
  for (let i = 0; i < gl.getProgramParameter(program, gl.ACTIVE_UNIFORMS); i++) {
    const name = gl.getActiveUniform(program, i).name;
    at[name.replace("[0]", "")] = gl.getUniformLocation(program, name);
  }
  return { program, at };
}

/** The corners of a grid of cells as shares of its sides, and its triangles. */
export function gridMesh([nx, ny]) {
  const shares = new Float32Array(2 * (nx + 1) * (ny + 1)), index = new Uint32Array(6 * nx * ny);
  for (let j = 0, k = 0; j <= ny; j++) for (let i = 0; i <= nx; i++, k++) { shares[2 * k] = i / nx; shares[2 * k + 1] = j / ny; }
  for (let j = 0, k = 0; j < ny; j++) {
    for (let i = 0; i < nx; i++, k += 6) {
      const a = j * (nx + 1) + i, c = a + nx + 1;
      index.set([a, c, a + 1, a + 1, c, c + 1], k);
    }
  }
  return { shares, index };
}

