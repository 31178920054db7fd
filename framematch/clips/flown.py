"""One rig flown through many moments: its unknowns shared, its aim a little apart from moment to moment.

The unknowns of ``measure.unknowns`` hold for the whole flight, and each moment has a small turn of its own besides: what the mount does in a second and
longer. That turn is a process in time with an exponential correlation (Ornstein and Uhlenbeck; ``APART_S``), whose size is read from the moments
themselves (expectation and maximisation: Dempster, Laird and Rubin, JRSS B 39, 1977), in directions of its own: a mount bends about one axis more than
about others, and what it does across the offset is seen without any distance. So a mount that stands still has its moments averaged, one that moves has
them one by one. What no figure of a lens describes is the same in all moments and is not averaged away: a smooth field over the picture, solved
along. What is left of quick flex in a moment's pictures is noise of that moment's aim (``unread_rad``), and where flex is too quick for the frames to
show it, the monitoring camera's rows point otherwise than is known: turns that go with the row and its square, solved along in each moment, their sizes
read from all moments (MacKay, Neural Computation 4, 1992); as large is then what else of a moment's turn is no aim (``bent_rad``). Each moment's picture
may be bent a little smoothly besides, by blur and compression.

Along the direction of the offset an aim and a distance draw the same. How far away things are is known but for one factor from the recorded clip
(``placed``), and what that is a little from how the cameras' two ways differ while the rig turns (``held``): so moments nearer and farther part the two.
All of it is one least squares by Gauss and Newton with weights after Cauchy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.bent import BENDS, FIELD, Shapes, field_of, shapes_of
from framematch.clips.distances import CAUCHY, LEAST_UNIT, MOST_UNIT, UNSURE, Sight, Typical, above_zero, by_distances, calibrated, shares_of, typical
from framematch.clips.sights import Details
from framematch.geometry.pairing import Pairing
from framematch.measure.aim import NEAREST_M, SPREAD_W, TYPICAL_W, AimSolve, Row
from framematch.measure.known import CONFLICT, State, Typed, block_distances, bound_rows, place_row
from framematch.measure.unknowns import AIM, COUNT, held

Floats = NDArray[np.float64]
APART_S = 0.15
_START_RAD, _LEAST_RAD = math.radians(0.5), math.radians(0.003)  # at least: moments of mounts that stand still scatter so (rendered flights)
#: What bringing frames milliseconds apart to one moment leaves, standard deviation of each axis, and for how long it goes together (rendered flights): it
#: goes with the way flown, as distances do, and would be taken for an offset.
_DRIFT_RAD, _DRIFT_S = math.radians(0.015), 2.0
_ROUNDS, _SETTLED = 6, 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Flown:
    """A flight solved.

    Args:
        values: (14,) shared.
        covariance: (14, 14) of them.
        turns_rad: (n, 3) of each moment, added to the aim's.
        apart_rad: how much they are apart, standard deviation of each axis.
        sights: what each moment's details say at its values.
        typical: how far away what each moment shows typically is.
        joint: covariance of shared values, all turns, all turns with what in them is none of the aim, and the factor of the relative distances.
        words: about typed distances that were not used.
    """

    values: Floats
    covariance: Floats
    turns_rad: Floats
    apart_rad: float
    sights: tuple[Sight, ...]
    typical: tuple[Typical, ...]
    joint: Floats
    words: tuple[str, ...] = ()

    def values_at(self, moment: int) -> Floats:
        """(14,) of one moment."""
        out = self.values.copy()
        out[AIM] += self.turns_rad[moment]
        return out

    def covariance_at(self, moment: int) -> Floats:
        """(18, 18) of one moment's values, of the turn at which its distances were found (what in it is none of the aim included), and of the factor."""
        pick, count = _pick(moment, len(self.sights)), len(self.turns_rad)
        whole = np.zeros((COUNT + 4, len(self.joint)))
        whole[:COUNT, : COUNT + 3 * count] = pick
        whole[COUNT:-1, :COUNT] = np.eye(COUNT)[AIM]
        whole[COUNT:-1, COUNT + 3 * (count + moment) : COUNT + 3 * (count + moment) + 3] = np.eye(3)
        whole[-1, -1] = 1.0
        return np.asarray(whole @ self.joint @ whole.T)


def flown(
    rig: Pairing,
    details: Sequence[Details],
    times_s: Floats,
    *,
    start: Floats,
    unread_rad: float,
    bent_rad: float = 0.0,
    unit_w: tuple[float, float] | None = None,
    typed: Sequence[tuple[int, Typed]] = (),
) -> Flown:
    """Solve a flight.

    Args:
        rig: the pairing of the file, at the size of the pictures.
        details: of each moment.
        times_s: (n,) of each.
        start: (14,) near the answer.
        bent_rad: standard deviation of how much more, each axis, the monitoring camera had turned at its last row than at its first than is known, to begin
            with.
        unit_w: what a relative inverse distance of 1 is, 1/m, with its standard deviation, where that is known.
        typed: distances that somebody measured, each with its moment's index.
        unread_rad: standard deviation of each axis of a moment's aim that is no slow turn, at most: moments that lie closer say so.
    """
    flight = _Flight(rig, details, times_s, start=start, unread_rad=unread_rad, bent_rad=bent_rad, unit_w=unit_w, typed=typed)
    for turn in range(_ROUNDS):
        flight.round(turn)
    return flight.flown()


class _Flight:
    """Values, turns and what the last round made of them."""

    def __init__(
        self,
        rig: Pairing,
        details: Sequence[Details],
        times_s: Floats,
        *,
        start: Floats,
        unread_rad: float,
        bent_rad: float,
        unit_w: tuple[float, float] | None,
        typed: Sequence[tuple[int, Typed]],
    ) -> None:
        self.rig, self.typed, self.words = rig, list(typed), list[str]()
        self.solves = [AimSolve(pairing=rig, matches=[each.matches]) for each in details]
        self.relative = [each.relative for each in details]
        self.count = len(self.solves)
        self.size = COUNT + 3 * self.count
        self.picks = [np.pad(_pick(i, self.count), ((0, 0), (0, FIELD + 1))) for i in range(self.count)]
        self.fields = [field_of(solve) for solve in self.solves]
        self.shapes = [shapes_of(solve) for solve in self.solves]
        self.bent = np.full(3 * BENDS, bent_rad / 2)
        self.shares = [shares_of(rig, solve.recording_px) for solve in self.solves]
        self.values, self.turns, self.apart = start.copy(), np.zeros((self.count, 3)), _START_RAD**2 * np.eye(3)
        self.drawn = [np.zeros(len(solve)) for solve in self.solves]
        self.scales = [3.0] * self.count
        self.unread = self.most_unread = unread_rad
        apart_s = np.abs(times_s[:, None] - times_s[None, :])
        self.like, self.drift = np.exp(-apart_s / APART_S), _DRIFT_RAD**2 * np.exp(-apart_s / _DRIFT_S)
        self.hold = held(rig) ** -2.0
        self.told_unit = (0.0, MOST_UNIT) if unit_w is None else above_zero(unit_w[0], UNSURE * unit_w[1])
        self.unit_w, self.covariance = self.told_unit[0], np.asarray(np.eye(self.size + FIELD + 1))
        self.sights: list[Sight] = []

    def round(self, turn: int) -> None:
        """One step of Gauss and Newton, and what it says of how far apart the moments are."""
        self.sights = [self._sight(i, turn) for i in range(self.count)]
        normal, toward = self._normal()
        if turn >= _SETTLED:
            self._refuse_conflicts(normal, toward)
        for row in self._rows():
            normal += np.outer(row.slope, row.slope) / row.sigma**2
            toward += row.slope * row.target / row.sigma**2
        self.covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        step = self.covariance @ toward
        if turn >= _SETTLED:
            state = self._bounded(State(values=step, covariance=self.covariance))
            step, self.covariance = state.values, state.covariance
        self.values = self.values + step[:COUNT]
        self.turns = self.turns + step[COUNT : self.size].reshape(-1, 3)
        self.unit_w = float(step[-1])
        bent = np.full((2, len(self.bent)), 1e-9)
        for i, sight in enumerate(self.sights):
            own = self.picks[i] @ step
            skew, inverse = self._skew(sight, self.shapes[i])
            rest = sight.seen.off + sight.seen.off_slope @ own + self.fields[i] @ step[self.size : -1]
            bend = -inverse @ (skew.T @ (rest * sight.weight / sight.together))
            bent += (bend[: bent.shape[1]] ** 2, 1 - np.diag(inverse)[: bent.shape[1]])
            self.drawn[i] = skew @ bend
            found = float(np.median(np.abs(sight.seen.off + sight.seen.off_slope @ own + self.drawn[i]))) / 0.6745
            self.scales[i] = float(np.clip(found if turn > 1 else max(found, self.scales[i] / 3), 0.2, 30.0))
            self.sights[i] = replace(sight, seen=replace(sight.seen, w=sight.seen.w + sight.seen.w_slope @ own))
        self.bent = self.bent * np.sqrt(bent[0] / bent[1])
        self._told_apart()

    def _told_apart(self) -> None:
        """How far apart moments' turns are, slow ones in directions of their own, and what of it was not read."""
        spread = self.covariance[COUNT : self.size, COUNT : self.size].reshape(self.count, 3, self.count, 3)
        whole = (self.turns.T @ self.turns + np.einsum("iaib->ab", spread)) / self.count - _DRIFT_RAD**2 * np.eye(3)
        most = self.most_unread**2 + float((self.bent.reshape(BENDS, 3)[:, :2] ** 2).sum()) / 2  # rows that are not known don't point the whole as known
        size, axes = np.linalg.eigh(whole)
        slow = np.maximum(size - most, _LEAST_RAD**2)
        self.apart = (axes * slow) @ axes.T
        self.unread = math.sqrt(float(np.clip((size - slow).mean(), _LEAST_RAD**2, most)))

    @property
    def _slow(self) -> Floats:
        """(3 n, 3 n) covariance of moments' slow turns before anything is seen."""
        return np.asarray(np.kron(self.like, self.apart), dtype=np.float64)

    @property
    def _expected(self) -> Floats:
        """The same of all that turns a moment."""
        return np.asarray(self._slow + np.kron(self.drift + self.unread**2 * np.eye(self.count), np.eye(3)))

    def _own(self, i: int) -> Floats:
        """(14,) of a moment."""
        own = self.values.copy()
        own[AIM] += self.turns[i]
        return own

    def _sight(self, i: int, turn: int) -> Sight:
        seen = self.solves[i].seen(self._own(i))
        weight = 1 / (1 + ((seen.off + self.drawn[i]) / (CAUCHY * self.scales[i])) ** 2) / self.scales[i] ** 2
        together = self.solves[i].together(seen, weight, self.scales[i]) if turn >= _SETTLED else 1.0
        seen = calibrated(seen, self.shapes[i].smooth, weight, self.scales[i])
        return Sight(seen=seen, share=self.shares[i], weight=weight, scatter=self.scales[i], together=together, relative=self.relative[i])

    def _normal(self) -> tuple[Floats, Floats]:
        size = len(self.covariance)
        normal, toward = np.zeros((size, size)), np.zeros(size)
        normal[:COUNT, :COUNT] = np.diag(self.hold)
        toward[:COUNT] = -self.hold * self.values
        firm = np.linalg.inv(self._expected)
        normal[COUNT : self.size, COUNT : self.size] += firm
        toward[COUNT : self.size] -= firm @ self.turns.ravel()
        smooth, last = slice(self.size, size - 1), np.eye(size)[-1:]
        normal[smooth, smooth] = np.eye(FIELD)
        normal[-1, -1] = self.told_unit[1] ** -2.0
        toward[-1] = self.told_unit[0] * normal[-1, -1]
        slopes, ws = [], []
        for i, (pick, field, shapes, sight, solve) in enumerate(zip(self.picks, self.fields, self.shapes, self.sights, self.solves, strict=True)):
            every = np.column_stack([sight.seen.off_slope, field, sight.seen.off])
            weighted = every * (sight.weight / sight.together)[:, None]
            square = weighted.T @ every
            skew, inverse = self._skew(sight, shapes)  # how the moment's picture is bent more than is known, solved along and left out again
            crossed = weighted.T @ skew
            square -= crossed @ inverse @ crossed.T
            both = pick.T @ square[:COUNT, COUNT:-1]
            normal[:, smooth] += both
            normal[smooth] += both.T
            normal[smooth, smooth] += square[COUNT:-1, COUNT:-1]
            toward[smooth] -= square[COUNT:-1, -1]
            normal += pick.T @ square[:COUNT, :COUNT] @ pick
            toward -= pick.T @ square[:COUNT, -1]
            if sight.relative is not None:
                with_factor = np.vstack([pick, last])
                told, pull = by_distances(sight, sight.relative, solve.by_offset(self._own(i)), self._bent_w(i), max(self.unit_w, LEAST_UNIT))
                normal += with_factor.T @ told @ with_factor
                toward += with_factor.T @ pull
            near = sight.good & (np.abs(sight.seen.w) < 1 / NEAREST_M)
            if near.any():
                slopes.append(pick.T @ sight.seen.w_slope[near].mean(axis=0))
                ws.append(float(np.median(sight.seen.w[near])))
        if ws:  # one weak expectation of how far away things are, so that a rig without an offset is solved as well
            slope = np.mean(slopes, axis=0)
            normal += np.outer(slope, slope) / SPREAD_W**2
            toward += slope * (TYPICAL_W - float(np.mean(ws))) / SPREAD_W**2
        return normal, toward

    def _skew(self, sight: Sight, shapes: Shapes) -> tuple[Floats, Floats]:
        """(N, m) how a picture bent otherwise than is known would draw the residuals, for coefficients of 1, and (m, m) the coefficients' covariance."""
        skew = shapes.drawn(sight.seen.off_slope[:, AIM], self.bent)
        return skew, np.asarray(np.linalg.inv(np.eye(skew.shape[1]) + (skew * (sight.weight / sight.together)[:, None]).T @ skew))

    def _bent_w(self, i: int) -> Floats:
        """(N, m) what a moment's picture bent otherwise than is known adds to inverse distances, for coefficients of 1."""
        return self.shapes[i].drawn(self.sights[i].seen.w_slope[:, AIM], self.bent)

    def _rows(self) -> list[Row]:
        return [row for _, row in self._told_rows() if row is not None]

    def _told_rows(self) -> list[tuple[str, Row | None]]:
        """What typed distances say of the step to come, or why they say nothing."""
        out: list[tuple[str, Row | None]] = []
        for moment, each in self.typed:
            row, why = place_row(self.solves[moment], self.sights[moment], replace(each, moment=0), self.rig)
            out.append((why, None if row is None else replace(row, slope=self.picks[moment].T @ row.slope)))
        return out

    def _refuse_conflicts(self, normal: Floats, toward: Floats) -> None:
        """Leave out distances that can't be used, or that don't go with all the rest."""
        covariance = np.linalg.inv(normal)
        step = covariance @ toward
        for (moment, each), (why, row) in zip(list(self.typed), self._told_rows(), strict=True):
            if row is not None:
                strain = abs(float(row.target - row.slope @ step)) / math.sqrt(float(row.slope @ covariance @ row.slope) + row.sigma**2)
                why = "" if strain <= CONFLICT else "it does not go with what the clips show, the offset and the other figures"
            if why:
                self.typed.remove((moment, each))
                self.words.append(f"the distance {each.words} was not used: {why}")

    def _bounded(self, state: State) -> State:
        """The state with what it adds that nothing lies beyond infinity, of moments whose distances the recorded clip does not have.

        Those it has are in front of it already: what else has blocks of two cameras below zero is their noise, and a bound would draw all of it nearer.
        """
        parts = [
            (w, slope @ pick, noise)
            for sight, solve, pick in zip(self.sights, self.solves, self.picks, strict=True)
            if sight.relative is None
            for w, slope, noise in [block_distances(solve, sight)]
        ]
        if not parts:
            return state
        w, slope, noise = (np.concatenate(each) for each in zip(*parts, strict=True))
        return bound_rows(w, slope, noise, state)[0]

    def flown(self) -> Flown:
        """What was found; of each moment's turn the slow share, as its like ones have it (the conditional mean of a normal process)."""
        slow = self._slow
        share = slow @ np.linalg.inv(self._expected)
        use = np.append(np.arange(self.size), len(self.covariance) - 1)
        every = np.zeros((self.size + 3 * self.count + 1, self.size + 1))
        every[:COUNT, :COUNT] = np.eye(COUNT)
        every[COUNT : self.size, COUNT:-1] = share
        every[self.size : -1, COUNT:-1] = np.eye(3 * self.count)
        every[-1, -1] = 1.0
        joint = every @ self.covariance[np.ix_(use, use)] @ every.T
        joint[COUNT : self.size, COUNT : self.size] += slow - share @ slow
        return Flown(
            values=self.values,
            covariance=joint[:COUNT, :COUNT],
            turns_rad=(share @ self.turns.ravel()).reshape(-1, 3),
            apart_rad=math.sqrt(float(np.trace(self.apart[:2, :2])) / 2),
            sights=tuple(self.sights),
            typical=tuple(typical(sight, self._bent_w(i), self.unit_w) for i, sight in enumerate(self.sights)),
            joint=joint,
            words=tuple(self.words),
        )


def _pick(moment: int, count: int) -> Floats:
    """(14, 14 + 3 count) a moment's values of all."""
    out = np.zeros((COUNT, COUNT + 3 * count))
    out[:, :COUNT] = np.eye(COUNT)
    out[AIM, COUNT + 3 * moment : COUNT + 3 * moment + 3] = np.eye(3)
    return out
