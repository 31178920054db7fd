"""A live frame drawn in software, against a bare WebGL2 page that draws the same triangles into the same faces once.

The bare page is written here: one program, one texture, a depth buffer, nothing looked up afterwards. Both draw in turn in
one browser, each waits for its own picture; finely, as it stands at rest, and as it is drawn while something moves.
"""

from __future__ import annotations

import json
import statistics

import pytest
from live_stills import live_browser, page_with, pose_said, stills
from rigs import glasshouse

from framematch.live.rig_part import rig_part
from framematch.live.scene_part import scene_part
from framematch.scene.registry import make_scene
from framematch.shot.place import standing

SIZE = (640, 360)
ROUNDS = 21
BARE = """
ask => {
  const live = painter, canvas = document.createElement("canvas"), gl = canvas.getContext("webgl2", {antialias: false});
  const shader = (kind, text) => { const s = gl.createShader(kind); gl.shaderSource(s, text); gl.compileShader(s); return s; };
  const program = gl.createProgram();
  gl.attachShader(program, shader(gl.VERTEX_SHADER, `#version 300 es
    layout(location=0) in vec3 place; layout(location=1) in vec4 tint; layout(location=2) in vec2 uv; uniform mat4 clip; out vec4 colour; out vec2 at;
    void main() { colour = tint; at = vec2(uv.x, 1.0 - uv.y); gl_Position = clip * vec4(place, 1.0); }`));
  gl.attachShader(program, shader(gl.FRAGMENT_SHADER, `#version 300 es
    precision highp float; in vec4 colour; in vec2 at; uniform sampler2D picture; out vec4 made;
    void main() { made = colour * texture(picture, at); }`));
  gl.linkProgram(program); gl.useProgram(program); gl.enable(gl.DEPTH_TEST);
  const part = live.scene.part;
  [["places", 3, gl.FLOAT], ["colours", 4, gl.UNSIGNED_BYTE], ["uv", 2, gl.FLOAT]].forEach(([name, size, kind], i) => {
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ARRAY_BUFFER, part.array(name), gl.STATIC_DRAW);
    gl.enableVertexAttribArray(i); gl.vertexAttribPointer(i, size, kind, kind !== gl.FLOAT, 0, 0);
  });
  return createImageBitmap(new Blob([part.array("texture")])).then(async bitmap => {
    gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, gl.RGBA, gl.UNSIGNED_BYTE, bitmap);
    gl.generateMipmap(gl.TEXTURE_2D);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR_MIPMAP_LINEAR);
    // Faces and matrices are those that the live page has just used: taken down as it sets them.
    const faces = [], set = live.gl.uniformMatrix4fv.bind(live.gl), port = live.gl.viewport.bind(live.gl);
    let last = null;
    live.gl.viewport = (...of) => { last = of; port(...of); };
    live.gl.uniformMatrix4fv = (at, turn, clip) => { faces.push({clip, w: last[2], h: last[3]}); set(at, turn, clip); };
    live.draw(ask);
    delete live.gl.viewport; delete live.gl.uniformMatrix4fv;
    for (const face of faces) {
      face.frame = gl.createFramebuffer();
      gl.bindFramebuffer(gl.FRAMEBUFFER, face.frame);
      for (const [kind, at] of [[gl.RGBA8, gl.COLOR_ATTACHMENT0], [gl.DEPTH_COMPONENT24, gl.DEPTH_ATTACHMENT]]) {
        const held = gl.createRenderbuffer();
        gl.bindRenderbuffer(gl.RENDERBUFFER, held);
        gl.renderbufferStorage(gl.RENDERBUFFER, kind, face.w, face.h);
        gl.framebufferRenderbuffer(gl.FRAMEBUFFER, at, gl.RENDERBUFFER, held);
      }
    }
    const clip = gl.getUniformLocation(program, "clip"), px = new Uint8Array(4);
    const done = (g, into) => { g.bindFramebuffer(g.FRAMEBUFFER, into); g.readPixels(0, 0, 1, 1, g.RGBA, g.UNSIGNED_BYTE, px); };
    const bare = () => {
      for (const face of faces) {
        gl.bindFramebuffer(gl.FRAMEBUFFER, face.frame);
        gl.viewport(0, 0, face.w, face.h);
        gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
        gl.uniformMatrix4fv(clip, false, face.clip);
        gl.drawArrays(gl.TRIANGLES, 0, live.scene.count);
      }
      for (const face of faces) done(gl, face.frame);
    };
    const ours = () => { live.draw(ask); done(live.gl, null); };
    const out = {bare: [], ours: [], faces: faces.length, error: gl.getError()};
    for (const [name, work] of [["bare", bare], ["ours", ours]]) work();
    for (let i = 0; i < ROUNDS; i++) for (const [name, work] of i % 2 ? [["ours", ours], ["bare", bare]] : [["bare", bare], ["ours", ours]]) {
      const start = performance.now();
      work();
      out[name].push(performance.now() - start);
      await new Promise(next => setTimeout(next));
    }
    gl.getExtension("WEBGL_lose_context").loseContext();
    return out;
  });
}"""


@pytest.mark.parametrize("texels", [2, 1], ids=["at rest", "while moving"])
def test_a_live_frame(chromium, benchmark, texels):
    parts = {"scene": scene_part(make_scene("glasshouse")), "rig": rig_part(glasshouse(), focals_mm=(4.0, 100.0))}
    pose = standing((0.0, 1.35, 3.0)).matrix
    with live_browser(chromium) as browser:
        page = page_with(browser, parts)
        stills(page, pose, 18.0, SIZE, SIZE, scene="scene", rig="rig")
        ask = {"pose": pose_said(pose), "focal": 18.0, "boxes": {"wide": [0, 0, *SIZE], "frame": [SIZE[0], 0, *SIZE]}, "texels": texels}
        found = page.evaluate(f"({BARE.replace('ROUNDS', str(ROUNDS))})({json.dumps(ask)})")
    assert found["faces"] > 1 and found["error"] == 0
    bare, ours = (statistics.median(found[name]) for name in ("bare", "ours"))
    benchmark.pedantic(lambda: None, rounds=1)
    benchmark.extra_info["ms"] = f"bare {bare:.0f}, live {ours:.0f}"
    benchmark.extra_info["of the bare page's time"] = round(ours / bare, 2)
    assert ours <= 1.5 * bare
