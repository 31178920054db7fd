"""A camera's attitudes made sure by what it saw for a second and more: bundle adjustment (Triggs et al., LNCS 1883, 2000).

From frame to frame a long lens hardly tells a turn from a step aside, and what is taken for the other adds up. Details that are followed through
several key frames stand at one place each: the attitudes and places of the key frames and the places of all details are solved together, by least
squares with weights after Cauchy, Levenberg and Marquardt's way, details eliminated first (Schur's complement: what is left is banded). Rows are
brought to their frame's time by the turns that were read and the speed of the way. A turn rate that is some degrees a second off bends a picture by a
fifth of a pixel, more than details scatter, and is taken for a way: so each key frame's rate is solved along, held as well, since rows that turn at will
explain any picture (Albl, Sugimoto and Pajdla, ECCV 2016).

What pictures leave open is held by how a camera flies (``held``), the scale by inverse distances about 1, as reading turns has them. That asks for noise
as it is: details side by side in a picture are off together, by compression and blur, and count as so many less. Each step is laid out along the chain
of frames, and inverse distances with the way, so that drift and scale, which little holds, may go far in one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.clips.bearings import cross_of, tangents
from framematch.clips.held import EACH, SAMPLES, Held, Missed, Shown

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_FEWEST_SEEN = 3  # key frames that a detail is seen in
_FEWEST_FRAMES, _FEWEST_DETAILS = 5, 60
_CAUCHY, _ROUNDS, _SETTLED, _CLOSE = 2.4, 20, 3e-4, 0.9
_SHARES = (1.0, 0.4, 0.15)  # of a step, tried one after another
_CELLS, _FEWEST_IN = (6, 4), 3  # of a picture, and details in one, for how far off neighbours are together
_AT_ONCE = 200  # frames
#: So many details of two frames say as much of how they scatter as is known without (fewer: made-up flights of even noise were then surer than right).
_FEW = 100
_APART = 1.0  # inverse distances, of what reading turns has them about


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """Details as key frames saw them.

    Args:
        times_s: (K,) of the key frames.
        key, track: (N,) in which frame, and which detail it is.
        rays: (N, 3) where, brought to the frame's time.
        later_s: (N,) by how much later than that its row was read.
        attitude: (K, 3, 3) of the frames as the turns have them, in axes that all share.
        way: (K, 3) of the frames in these axes, over the typical distance.
        noise_rad: that details are expected to scatter by at least.
    """

    times_s: Floats
    key: Ints
    track: Ints
    rays: Floats
    later_s: Floats
    attitude: Floats
    way: Floats
    noise_rad: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
    """Where details stand.

    Args:
        direction, start: (T, 3) from the frame that saw each first, and where that stood.
        inverse, sigma: (T,) inverse distance from there, and its standard deviation with the frames as they are.
        key, track: (N,) which key frame saw which, those that agree.
        unit_share: (K,) standard deviation of how far away, as a whole, a key frame's details are; a share.
    """

    direction: Floats
    start: Floats
    inverse: Floats
    sigma: Floats
    key: Ints
    track: Ints
    unit_share: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Adjusted:
    """Key frames as the adjustment has them.

    Args:
        times_s: (K,).
        attitude, way: as in ``Seen``.
        rate_rad_s: (K, 3) by which each turned more quickly than was read, camera axes.
        nearness: (K,) mean inverse distance of the details that each frame saw.
        told: banded lower form of what is told on each frame's turn (camera axes), way and rate, 9 K unknowns.
        scatter_rad: of the details.
        held: what of it holds the frames besides the details, sparse.
        unit_w: what an inverse distance of 1 is, 1/m, and its standard deviation; what is typical if no other camera told.
        jerk: standard deviation of the way's third derivative, per second cubed.
        places: of the details.
    """

    times_s: Floats
    attitude: Floats
    way: Floats
    rate_rad_s: Floats
    nearness: Floats
    told: Floats
    scatter_rad: float
    held: Any
    unit_w: tuple[float, float]
    jerk: float
    places: Places

    def shows(self, way: Floats) -> Floats:
        """(K, 3) what of a further way (K, 3) an adjustment would show: what holds it smooths what is quick."""
        from scipy.linalg import solveh_banded

        whole = np.zeros((len(way), EACH))
        whole[:, 3:6] = way - way[0]
        out: Floats = whole - solveh_banded(self.told, self.held @ whole.ravel(), lower=True).reshape(whole.shape)
        return out[:, 3:6]

    def off_mean_rad(self, smooth_s: float) -> Floats:
        """(n,) standard deviation of frames' attitudes off their mean under a Gaussian, all axes together, at some frames along the clip."""
        from scipy.linalg import solveh_banded

        count = len(self.times_s)
        some = np.arange(0, count, max(1, count // SAMPLES))
        share = np.exp(-(((self.times_s - self.times_s[some, None]) / smooth_s) ** 2) / 2)
        share = -share / share.sum(axis=1, keepdims=True)
        share[np.arange(len(some)), some] += 1
        slopes = np.zeros((count, EACH, len(some), 3))
        slopes[:, :3] = np.einsum("sk,kji->kisj", share, self.attitude)
        flat = slopes.reshape(EACH * count, -1)
        variance = (flat * solveh_banded(self.told, flat, lower=True)).sum(axis=0).reshape(len(some), 3).sum(axis=1)
        out: Floats = np.sqrt(variance)
        return out


def adjusted(seen: Seen, *, shown: Shown | None = None) -> Adjusted | None:
    """Adjust key frames, with how much of their way another camera shows; None where too little is seen to."""
    count = np.bincount(seen.track) if len(seen.track) else np.zeros(1, np.int64)
    use = count[seen.track] >= _FEWEST_SEEN if len(seen.track) else np.zeros(0, bool)
    if len(seen.times_s) < _FEWEST_FRAMES or (count >= _FEWEST_SEEN).sum() < _FEWEST_DETAILS:
        return None
    return _Solve(seen, use, shown).solved()


@dataclass(frozen=True, kw_only=True, eq=False)
class _State:
    """Attitudes, ways and more rate of key frames; direction and inverse distance of details from the frame that saw them first."""

    attitude: Floats
    way: Floats
    rate: Floats
    direction: Floats
    inverse: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class _Look:
    """What a state leaves: (N, 2) misses of the sights, (N, 3) rays in camera axes and their lengths, ways at the rows' times; misses of what holds it."""

    miss: Floats
    ray: Floats
    length: Floats
    to_camera: Floats
    from_first: Floats
    missed: Missed


class _Solve:
    def __init__(self, seen: Seen, use: Mask, shown: Shown | None) -> None:
        self.seen = seen
        self.key, self.rays, self.later = seen.key[use], seen.rays[use], seen.later_s[use, None]
        _, first, self.track = np.unique(seen.track[use], return_index=True, return_inverse=True)
        self.first_sight, self.first = first, self.key[first]  # sights come in order of time
        self.basis, self.cell = tangents(self.rays), _cells(self.key, self.rays)
        self.together = 1.0  # how many details count as one
        _, self.pair = np.unique(self.first[self.track] * len(seen.times_s) + self.key, return_inverse=True)
        self.rough = np.ones(len(self.key))  # by how much more than usual what two frames both show scatters: by blur
        self.frames, self.tracks = len(seen.times_s), len(first)
        self.state = _State(
            attitude=seen.attitude,
            way=seen.way,
            rate=np.zeros_like(seen.way),
            direction=np.einsum("nij,nj->ni", seen.attitude[self.first], self.rays[first]),
            inverse=np.ones(self.tracks),
        )
        self.held = Held(seen.times_s, seen.attitude, seen.way, shown)
        self.speed = np.gradient(seen.way, seen.times_s, axis=0)

    def look(self, state: _State) -> _Look:
        from_first = state.way[self.first][self.track] - state.way[self.key] - self.later * self.speed[self.key]
        to_camera = np.swapaxes(state.attitude, 1, 2)[self.key]
        ray = np.einsum("nij,nj->ni", to_camera, state.direction[self.track] + state.inverse[self.track, None] * from_first)
        ray -= self.later * np.cross(state.rate[self.key], ray)
        length = np.linalg.norm(ray, axis=1)
        ray = ray / length[:, None]
        miss = np.einsum("nij,nj->ni", self.basis, ray)
        miss[np.einsum("ni,ni->n", ray, self.rays) < 0] = 2.0  # behind
        missed = self.held.missed(state.attitude, state.way, state.rate)
        return _Look(miss=miss, ray=ray, length=length, to_camera=to_camera, from_first=from_first, missed=missed)

    def cost(self, look: _Look, state: _State, scale: float) -> float:
        off = float(_CAUCHY**2 * np.log1p((look.miss**2).sum(axis=1) / (_CAUCHY * scale * self.rough) ** 2).sum()) / self.together
        return off + self.held.cost(look.missed) + float(((state.inverse - 1) ** 2).sum()) / _APART**2

    def solved(self) -> Adjusted | None:
        state = self.state
        look = self.look(state)
        scale, damping, close = self._scale(look), 1.0, False
        for _ in range(_ROUNDS):
            normal = _Normal(self, state, look, scale)
            before = self.cost(look, state, scale)
            solution = normal.solved(damping)
            if solution is None:
                return None
            frames, details, directions = solution
            for share in _SHARES:
                tried = self.moved(state, share * frames, share * details, directions)
                after = self.cost(self.look(tried), tried, scale)
                if after <= before:
                    break
            else:
                damping = max(10 * damping, 1e-3)
                continue
            self.speed = np.gradient(tried.way, self.seen.times_s, axis=0)  # held in a step: its slope with the way would reach over three frames
            state, look = tried, self.look(tried)
            smaller = min(scale, self._scale(look))
            if close:  # noise and covariances as they are only where the state is about right: before it, all looks like noise
                band = normal.band(0.0)
                self.held.covariances_by(band, look.missed)
                self.rough = self._rough(look)
                smaller = min(scale, self._scale(look))
                self.together = self._together(look, smaller)
                self.held.unit_by(band, state.way)
                look = self.look(state)
            settled = close and share == 1 and smaller > 0.95 * scale and before - after < _SETTLED * before
            close = close or smaller > _CLOSE * scale
            scale, damping = smaller, damping if share < 1 else max(damping / 10, 1e-6)
            if settled:
                break
        normal = _Normal(self, state, look, scale)
        told = normal.band(0.0)
        nearness = np.bincount(self.key, state.inverse[self.track], self.frames) / np.maximum(np.bincount(self.key, minlength=self.frames), 1)
        return Adjusted(
            times_s=self.seen.times_s,
            attitude=state.attitude,
            way=state.way,
            rate_rad_s=state.rate,
            nearness=nearness,
            told=told,
            scatter_rad=scale,
            held=self.held.told,
            unit_w=(self.held.unit_w, self.held.unit_sd),
            jerk=self.held.jerk,
            places=self._places(state, look, normal, told, scale),
        )

    def _places(self, state: _State, look: _Look, normal: _Normal, told: Floats, scale: float) -> Places:
        """Where details stand, and how surely the frames see them as far away as they do: frames' places and details marginalised."""
        from scipy import sparse
        from scipy.linalg import solveh_banded

        good = (look.miss**2).sum(axis=1) < (_CAUCHY * scale * self.rough) ** 2
        key, track = self.key[good], self.track[good]
        count = np.maximum(np.bincount(key, minlength=self.frames), 1)
        mean = np.bincount(key, state.inverse[track], self.frames) / count
        own = normal.inverse[:, 2, 2]
        rows = (3 * track[:, None] + np.arange(3)).ravel()
        by_detail = sparse.csr_matrix(((normal.inverse[track, 2] / count[key, None]).ravel(), (rows, np.repeat(key, 3))), shape=(3 * self.tracks, self.frames))
        by_frame = (normal.mixed @ by_detail).tocsc()
        variance = np.bincount(key, own[track], self.frames) / count**2
        for some in np.array_split(np.arange(self.frames), 1 + self.frames // _AT_ONCE):
            slopes = by_frame[:, some].toarray()
            variance[some] += (slopes * solveh_banded(told, slopes, lower=True)).sum(axis=0)
        return Places(
            direction=state.direction,
            start=state.way[self.first],
            inverse=state.inverse,
            sigma=np.sqrt(own),
            key=key,
            track=track,
            unit_share=np.sqrt(variance) / np.maximum(mean, 1e-3),
        )

    def _together(self, look: _Look, scale: float) -> float:
        """How many details of a picture count as one: by how much cells of them are off together, over what their details would be alone."""
        good = (look.miss**2).sum(axis=1) < (_CAUCHY * scale * self.rough) ** 2
        off = np.einsum("nij,ni->nj", self.basis, look.miss / self.rough[:, None])[good, :2]
        count = np.bincount(self.cell[good])
        enough = count >= _FEWEST_IN
        total = np.stack([np.bincount(self.cell[good], column)[enough] for column in off.T])
        alone = 2 * float((off**2).mean()) * int(count[enough].sum())
        return max(1.0, float((total**2).sum()) / max(alone, 1e-30))

    def _scale(self, look: _Look) -> float:
        return max(float(np.median(np.hypot(*look.miss.T) / self.rough)) / 1.1774, self.seen.noise_rad)

    def _rough(self, look: _Look) -> Floats:
        """(N,) how much more than usual details scatter between the frame of each sight and the one that saw it first."""
        off = np.hypot(*look.miss.T)
        order = np.lexsort((off, self.pair))
        count = np.bincount(self.pair)
        middle = off[order][np.cumsum(count) - count + count // 2]
        usual = float(np.median(off))
        rough = (count * middle / max(usual, 1e-12) + _FEW) / (count + _FEW)
        return np.asarray(np.maximum(rough, self.seen.noise_rad / max(usual, 1e-12))[self.pair])

    def moved(self, state: _State, frames: Floats, details: Floats, directions: Floats) -> _State:
        """A state after a step of (K, 9) turns, ways and rates and (T, 3) directions and inverse distances, laid out along the chain."""
        from scipy.spatial.transform import Rotation

        attitude = state.attitude @ Rotation.from_rotvec(frames[:, :3]).as_matrix()
        back = np.swapaxes(state.attitude[:-1], 1, 2)
        own = np.einsum("kij,kj->ki", back, np.diff(state.way + frames[:, 3:6], axis=0))
        own -= np.cross(frames[:-1, :3], np.einsum("kij,kj->ki", back, np.diff(state.way, axis=0)))
        way = np.concatenate([state.way[:1], state.way[:1] + np.cumsum(np.einsum("kij,kj->ki", attitude[:-1], own), axis=0)])
        first = state.attitude[self.first]
        turned = np.einsum("tij,tj->ti", first, frames[self.first, :3])
        drawn = state.inverse[:, None] * frames[self.first, 3:6]
        nearer = (state.direction * drawn).sum(axis=1)
        across = np.einsum("ti,tij->tj", details[:, :2], directions) - np.cross(turned, state.direction) - (drawn - nearer[:, None] * state.direction)
        direction = state.direction + across
        length = np.linalg.norm(direction, axis=1)
        more = details[:, 2] + state.inverse * nearer
        share = more / np.where(np.abs(state.inverse) > 1e-6, state.inverse, 1e-6)
        inverse = np.where((np.abs(share) < 0.5) & (state.inverse > 0.02), state.inverse / (1 - np.clip(share, -0.5, 0.5)), state.inverse + more) / length
        direction = np.einsum("tij,tkj,tk->ti", attitude[self.first], first, direction / length[:, None])
        return _State(attitude=attitude, way=way, rate=state.rate + frames[:, 6:], direction=direction, inverse=inverse)


class _Normal:
    """Normal equations about a state, details eliminated."""

    def __init__(self, solve: _Solve, state: _State, look: _Look, scale: float) -> None:
        from scipy import sparse

        self.solve, count, tracks = solve, solve.frames, solve.tracks
        scales = scale * solve.rough
        weight = 1 / (1 + (look.miss**2).sum(axis=1) / (_CAUCHY * scales) ** 2)
        root = (np.sqrt(weight / solve.together) / scales)[:, None, None]
        self.directions = tangents(state.direction)
        by_place = (solve.basis - look.miss[:, :, None] * look.ray[:, None, :]) @ look.to_camera * (root / look.length[:, None, None])
        by_turn = solve.basis @ cross_of(look.ray) * root
        inverse = state.inverse[solve.track, None, None]
        by_frame = np.concatenate([by_turn, -inverse * by_place, solve.later[:, :, None] * by_turn], axis=2)
        by_detail = np.concatenate([by_place @ np.swapaxes(self.directions, 1, 2)[solve.track], by_place @ look.from_first[:, :, None]], axis=2)
        miss = look.miss[:, :, None] * root
        self.told = _summed(solve.track, np.swapaxes(by_detail, 1, 2) @ by_detail, tracks)
        self.pull = _summed(solve.track, np.swapaxes(by_detail, 1, 2) @ miss, tracks)[..., 0]
        self.told[:, 2, 2] += _APART**-2.0
        self.told[:, range(3), range(3)] *= 1 + 1e-9
        self.pull[:, 2] += (state.inverse - 1) / _APART**2
        blocks = _summed(solve.key, np.swapaxes(by_frame, 1, 2) @ by_frame, count)
        toward = _summed(solve.key, np.swapaxes(by_frame, 1, 2) @ miss, count)[..., 0]
        both = np.swapaxes(by_frame, 1, 2) @ by_detail
        drawn = state.direction * (state.inverse**2 / _APART)[:, None]  # an inverse distance goes with the way of the frame that it is counted from
        blocks[:, 3:6, 3:6] += _summed(solve.first, drawn[:, :, None] * drawn[:, None, :], count)
        toward[:, 3:6] += _summed(solve.first, drawn * ((state.inverse - 1) / _APART)[:, None], count)
        both[solve.first_sight, 3:6, 2] += drawn / _APART
        held, pulled = solve.held.normal(look.missed)
        self.frames = sparse.bsr_matrix((blocks, np.arange(count), np.arange(count + 1)), shape=(EACH * count, EACH * count)).tocsr() + held
        self.toward = toward.ravel() + pulled
        order = np.lexsort((solve.track, solve.key))
        bounds = np.concatenate([[0], np.cumsum(np.bincount(solve.key, minlength=count))])
        self.inverse = np.linalg.inv(self.told)
        shape = (EACH * count, 3 * tracks)
        mixed, reduced = (sparse.bsr_matrix((blocks[order], solve.track[order], bounds), shape=shape) for blocks in (both, both @ self.inverse[solve.track]))
        self.mixed = mixed.tocsr()
        self.reduced = self.frames - (reduced @ mixed.T.tobsr((3, EACH))).tocsr()
        self.pulled = self.toward - reduced @ self.pull.ravel()

    def band(self, damping: float) -> Floats:
        """What is told of the frames, in banded form."""
        matrix = (self.reduced + damping * self.solve.held.damping).tocoo()
        low = matrix.row >= matrix.col
        band = np.zeros((int((matrix.row - matrix.col).max()) + 1, matrix.shape[0]))
        band[(matrix.row - matrix.col)[low], matrix.col[low]] = matrix.data[low]
        band[0] *= 1 + 1e-9
        return band

    def solved(self, damping: float) -> tuple[Floats, Floats, Floats] | None:
        """The step."""
        from scipy.linalg import LinAlgError, solveh_banded

        try:
            frames = -solveh_banded(self.band(damping), self.pulled, lower=True)
        except (LinAlgError, ValueError):
            return None
        details = -np.einsum("tij,tj->ti", self.inverse, self.pull + (self.mixed.T @ frames).reshape(-1, 3))
        return frames.reshape(-1, EACH), details, self.directions


def _cells(key: Ints, rays: Floats) -> Ints:
    """(N,) of which cell of which picture each ray is."""
    x, y = (rays[:, :2] / np.maximum(rays[:, 2:], 0.1)).T
    across, down = (np.clip(((v / np.abs(v).max() + 1) / 2 * n).astype(np.int64), 0, n - 1) for v, n in zip((x, y), _CELLS, strict=True))
    _, cell = np.unique((key * _CELLS[0] + across) * _CELLS[1] + down, return_inverse=True)
    return np.asarray(cell)


def _summed(index: Ints, values: Floats, count: int) -> Floats:
    """(count, ...) sums of values (N, ...) by their index."""
    flat = values.reshape(len(values), -1)
    summed = np.stack([np.bincount(index, column, count) for column in flat.T], axis=1)
    return np.asarray(summed.reshape(count, *values.shape[1:]), dtype=np.float64)
