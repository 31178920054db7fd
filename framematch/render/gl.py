"""The rasteriser: pyrender on an off-screen EGL context, hardware or software.

A GL context belongs to one thread, so one thread owns it and callers queue. The faces of a plan are
drawn on one sheet without multisampling, since the sheet itself has several pixels per picture pixel
and a depth that is true at each pixel's centre; depth runs from 1 at the near plane to 0 at infinity,
which keeps a float's precision at every distance.
"""

from __future__ import annotations

import ctypes
import os
import queue
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.render.bend import bend
from framematch.render.faces import Face, Plan, plan
from framematch.render.keep import Kept
from framematch.render.picture import Picture
from framematch.render.shade import lit_corners
from framematch.scene.model import Scene

Floats = NDArray[np.float64]
Result = TypeVar("Result")

NEAR_M = 0.01
_ZERO_TO_ONE = 0x935F  # GL_ZERO_TO_ONE
_KEPT_SCENES = 4
_KEPT_TRIANGLES = 3_000_000


_sheets: Kept[tuple[Scene, NDArray[np.uint8], NDArray[np.float32]]] = Kept(limit_bytes=24_000_000, size=lambda kept: kept[1].nbytes + kept[2].nbytes)


def render(scene: Scene, camera: Camera, scene_from_camera: Floats, *, quick: bool = False) -> Picture:
    """A picture through any lens; safe to call from many threads at once.

    Args:
        quick: from fewer face pixels, which are kept for another lens at the same place.

    Raises:
        InputError: there is no GL here, and why.
    """
    faces = plan(camera, quick=quick)

    def drawn() -> tuple[Scene, NDArray[np.uint8], NDArray[np.float32]]:
        camera_from_scene = np.linalg.inv(scene_from_camera)
        return scene, *_owner.call(lambda: _owner.studio.draw(scene, faces, camera_from_scene))

    # What is kept holds the scene, so that its id is not used again.
    key = (id(scene), scene_from_camera.tobytes(), faces.sheet_px, tuple(face.key for face in faces.faces))
    _, sheet, depth = _sheets.get(key, drawn) if quick else drawn()
    return bend(sheet, depth, NEAR_M, faces, camera, scene.light, scene_from_camera)


def missing() -> str:
    """Why there is no GL here; empty if there is. Tried once."""
    return _owner.start()


class _Owner:
    """The thread that owns the context, with the queue in front of it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._jobs: queue.SimpleQueue[tuple[Callable[[], Any], Future[Any]]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._missing = ""
        self.studio: Any = None

    def start(self) -> str:
        with self._lock:
            if self._missing or (self._thread is not None and self._thread.is_alive()):
                return self._missing
            self._jobs = queue.SimpleQueue()  # a forked process has the queue but not the thread
            ready: Future[str] = Future()
            self._thread = threading.Thread(target=self._work, args=(self._jobs, ready), name="framematch-gl", daemon=True)
            self._thread.start()
            self._missing = ready.result()
            return self._missing

    def call(self, job: Callable[[], Result]) -> Result:
        why = self.start()
        if why:
            raise InputError(f"no GL here ({why})", field="renderer", fix="use auto or rays")
        future: Future[Result] = Future()
        self._jobs.put((job, future))
        return future.result()

    def _work(self, jobs: queue.SimpleQueue[tuple[Callable[[], Any], Future[Any]]], ready: Future[str]) -> None:
        try:
            self.studio = _studio()
        except BaseException as error:  # a missing library, driver or device each fails in its own way
            ready.set_result(" ".join(f"{type(error).__name__}: {error}".split())[:200])
            return
        ready.set_result("")
        while True:
            job, future = jobs.get()
            try:
                future.set_result(self._done(job))
            except BaseException as error:
                future.set_exception(error)

    def _done(self, job: Callable[[], Result]) -> Result:
        from OpenGL.error import Error

        try:
            return job()
        except Error:  # the context was lost: a driver restarted, or something else here ended its EGL display
            self.studio.forget()
            self.studio = _studio()
            return job()


_owner = _Owner()


def _take_references() -> None:
    """Let PyOpenGL 3.1.0, which pyrender asks for, take ctypes references: from Python 3.12 on their class has another name."""
    from OpenGL.arrays.ctypesparameters import CtypesParameterHandler

    CtypesParameterHandler().register([type(ctypes.byref(ctypes.c_uint()))])


def _studio() -> Any:
    """A context with a renderer in it, made in the thread that will own it."""
    os.environ.setdefault("PYOPENGL_PLATFORM", "egl")
    if os.environ["PYOPENGL_PLATFORM"] != "egl":
        raise RuntimeError(f"PYOPENGL_PLATFORM is {os.environ['PYOPENGL_PLATFORM']}, not egl")
    import pyglet

    pyglet.options["headless"] = True  # pyrender imports its window too, which else wants X11's libraries
    import pyrender
    from OpenGL import GL
    from pyrender.platforms import egl
    from pyrender.renderer import Renderer

    _take_references()
    platform = _first_context(egl)
    GL.glDeleteTextures([GL.glGenTextures(1)])  # a binding that can't hand numbers over fails here, not in a picture
    clip_control = _clip_control(GL, egl.egl)

    class FaceCamera(pyrender.Camera):  # type: ignore[misc]
        """One tile's perspective: face axes (x right, y down, z out) to the tile, its first row lowest in GL."""

        face: Face

        def get_projection_matrix(self, width: int | None = None, height: int | None = None) -> Floats:
            f = self.face
            return np.array(
                [
                    [2 * f.focal_px / f.width, 0, -2 * f.left_px / f.width - 1, 0],
                    [0, 2 * f.focal_px / f.height, -2 * f.top_px / f.height - 1, 0],
                    [0, 0, 0, NEAR_M],
                    [0, 0, 1, 0],
                ]
            )

    class Sheet(Renderer):  # type: ignore[misc]
        """pyrender's renderer, drawing tiles of one sheet and keeping several scenes in the context."""

        def __init__(self) -> None:
            super().__init__(1, 1)
            self.tile: Face | None = None
            self._scenes: OrderedDict[Any, tuple[Any, Any, int]] = OrderedDict()
            self._size = (0, 0)
            self._lost = False

        def forget(self) -> None:
            """After the context was lost: its numbers mean things of the next one by now, and the display is the next one's too."""
            self._lost = True
            platform._egl_context = platform._egl_display = None

        def delete(self) -> None:
            if not self._lost:
                super().delete()

        def draw(self, scene: Scene, faces: Plan, camera_from_scene: Floats) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
            platform.make_current()
            drawn, origin = self._uploaded(scene)
            self._resize(faces.sheet_px)
            node = drawn.main_camera_node
            camera_from_drawn = camera_from_scene.copy()
            camera_from_drawn[:3, 3] += camera_from_scene[:3, :3] @ origin
            for face in faces.faces:
                self.tile = node.camera.face = face
                self.viewport_width, self.viewport_height = face.width, face.height
                turned = np.eye(4)
                turned[:3, :3] = face.face_from_camera
                drawn.set_pose(node, np.linalg.inv(turned @ camera_from_drawn))
                self.render(drawn, pyrender.RenderFlags.FLAT | pyrender.RenderFlags.OFFSCREEN)
            return self._read()

        def _uploaded(self, scene: Scene) -> tuple[Any, Floats]:
            key = (id(scene.surface), scene.light)  # the entry holds the surface, so its id is not used again
            if key not in self._scenes:
                self._make_room(len(scene.surface.faces))
                drawn, origin = _pyrender_scene(pyrender, scene, FaceCamera, int(GL.glGetIntegerv(GL.GL_MAX_TEXTURE_SIZE)))
                self._scenes[key] = (drawn, (scene.surface, origin), len(scene.surface.faces))
            self._scenes.move_to_end(key)
            drawn, (_, origin), _ = self._scenes[key]
            return drawn, origin

        def _make_room(self, triangles: int) -> None:
            while self._scenes and (len(self._scenes) >= _KEPT_SCENES or triangles + sum(entry[2] for entry in self._scenes.values()) > _KEPT_TRIANGLES):
                drawn, _, _ = self._scenes.popitem(last=False)[1]
                for mesh in drawn.meshes:
                    for primitive in mesh.primitives:
                        primitive.delete()
                        for texture in primitive.material.textures:
                            texture.delete()

        def _update_context(self, scene: Any, flags: int) -> None:
            for mesh in scene.meshes:
                for primitive in mesh.primitives:
                    if not primitive._in_context():
                        primitive._add_to_context()
                    for texture in primitive.material.textures:
                        if not texture._in_context():
                            texture._add_to_context()

        def _resize(self, size: tuple[int, int]) -> None:
            if size[0] > self._size[0] or size[1] > self._size[1]:
                self._delete_main_framebuffer()
                self._size = (max(size[0], self._size[0]), max(size[1], self._size[1]))
                self._main_cb, self._main_db = GL.glGenRenderbuffers(2)
                self._main_fb = GL.glGenFramebuffers(1)
                GL.glBindFramebuffer(GL.GL_FRAMEBUFFER, self._main_fb)
                for buffer, kind, place in (
                    (self._main_cb, GL.GL_RGBA8, GL.GL_COLOR_ATTACHMENT0),
                    (self._main_db, GL.GL_DEPTH_COMPONENT32F, GL.GL_DEPTH_ATTACHMENT),
                ):
                    GL.glBindRenderbuffer(GL.GL_RENDERBUFFER, buffer)
                    GL.glRenderbufferStorage(GL.GL_RENDERBUFFER, kind, *self._size)
                    GL.glFramebufferRenderbuffer(GL.GL_FRAMEBUFFER, place, GL.GL_RENDERBUFFER, buffer)
            self._sheet = size

        def _delete_main_framebuffer(self) -> None:
            if self._main_fb is not None:
                GL.glDeleteFramebuffers(1, [self._main_fb])
                GL.glDeleteRenderbuffers(2, [self._main_cb, self._main_db])
                self._main_fb = None

        def _configure_forward_pass_viewport(self, flags: int) -> None:
            tile = self.tile
            assert tile is not None
            GL.glBindFramebuffer(GL.GL_FRAMEBUFFER, self._main_fb)
            GL.glViewport(tile.column, tile.row, tile.width, tile.height)
            GL.glScissor(tile.column, tile.row, tile.width, tile.height)
            GL.glEnable(GL.GL_SCISSOR_TEST)
            clip_control(GL.GL_LOWER_LEFT, _ZERO_TO_ONE)
            GL.glEnable(GL.GL_DEPTH_TEST)
            GL.glDepthMask(GL.GL_TRUE)
            GL.glDepthFunc(GL.GL_GREATER)
            GL.glClearDepth(0.0)

        def _read_main_framebuffer(self, scene: Any, flags: int) -> None:
            """The whole sheet is read once, after the last tile."""

        def _read(self) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
            width, height = self._sheet
            colour = np.empty((height, width, 4), dtype=np.uint8)
            depth = np.empty((height, width), dtype=np.float32)
            GL.glBindFramebuffer(GL.GL_READ_FRAMEBUFFER, self._main_fb)
            GL.glReadPixels(0, 0, width, height, GL.GL_RGBA, GL.GL_UNSIGNED_BYTE, colour)
            GL.glReadPixels(0, 0, width, height, GL.GL_DEPTH_COMPONENT, GL.GL_FLOAT, depth)
            return colour, depth

    return Sheet()


def _first_context(egl: Any) -> Any:
    """A context on the first EGL device that gives one: hardware devices come before software ones."""
    problems = []
    for device in egl.query_devices() or [egl.get_default_device()]:
        platform = egl.EGLPlatform(1, 1, device=device)
        try:
            platform.init_context()
            return platform
        except Exception as error:
            problems.append(f"{type(error).__name__} {error}")
    raise RuntimeError(f"no EGL device gave a context: {'; '.join(problems)}")


def _clip_control(gl: Any, egl: Any) -> Callable[[int, int], None]:
    """glClipControl (GL 4.5 or its extension), which PyOpenGL 3.1.0 does not know yet."""
    count = int(gl.glGetIntegerv(gl.GL_NUM_EXTENSIONS))
    names = {gl.glGetStringi(gl.GL_EXTENSIONS, index) for index in range(count)}
    version = (int(gl.glGetIntegerv(gl.GL_MAJOR_VERSION)), int(gl.glGetIntegerv(gl.GL_MINOR_VERSION)))
    address = ctypes.cast(egl.eglGetProcAddress("glClipControl"), ctypes.c_void_p).value
    if not address or not (version >= (4, 5) or b"GL_ARB_clip_control" in names):
        raise RuntimeError(f"GL {version[0]}.{version[1]} without clip control")
    function: Callable[[int, int], None] = ctypes.CFUNCTYPE(None, ctypes.c_uint, ctypes.c_uint)(address)
    return function


def _pyrender_scene(pyrender: Any, scene: Scene, camera_class: Any, largest_texture: int) -> tuple[Any, Floats]:
    """A pyrender scene with light in its colours, and the scene place of its origin (float32 stays fine there).

    Mesh and scene bounds are never asked for: pyrender 0.1.45 computes them with a name that NumPy 2 dropped.
    """
    surface = scene.surface
    vertices = np.asarray(surface.vertices)
    origin = vertices.mean(axis=0) if len(vertices) else np.zeros(3)
    corners = lit_corners(surface, scene.light).reshape(-1, 3)
    texture = None
    if surface.texture is not None:
        step = -(-max(surface.texture.shape[:2]) // largest_texture)
        opaque = np.full((*surface.texture[::step, ::step].shape[:2], 4), 255, dtype=np.uint8)
        opaque[..., :3] = surface.texture[::step, ::step]
        texture = pyrender.Texture(source=opaque, source_channels="RGBA")
    material = pyrender.MetallicRoughnessMaterial(baseColorTexture=texture, doubleSided=True)
    primitive = pyrender.Primitive(
        positions=(vertices[surface.faces].reshape(-1, 3) - origin).astype(np.float32),
        texcoord_0=None if surface.uv is None else surface.uv[surface.faces].reshape(-1, 2).astype(np.float32),
        color_0=np.concatenate([corners, np.ones((len(corners), 1), dtype=np.float32)], axis=1),
        material=material,
    )
    drawn = pyrender.Scene(bg_color=(0.0, 0.0, 0.0, 0.0))
    drawn.add(pyrender.Mesh([primitive]))
    drawn.add(camera_class(), pose=np.eye(4))
    return drawn, origin
