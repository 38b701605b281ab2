"""Phases at equilibrium: their Gibbs energy, and the way down to its minimum.

With n_ip the volume of component i in phase p, every equilibrium has

    n_ip = z_i softmax over p of (b_p + V_i (lam_p + q_p.d_i + h_i(A_p, D_p))),

so P phases need few numbers whatever the number of components: b, lam, q of all phases but the first, where they are 0,
and A and D of all. The material balance holds for any values of them, and the Gibbs energy can be minimised without
constraints. At the minimum they equal what the phases themselves imply: b = ln(N_p/N_0), lam = S_p - S_0 - (|m_p|^2 -
|m_0|^2) - (A_p D_p - A_0 D_0), q = 2(m_p - m_0), where N is the volume of a phase, m its mean d, S = sum phi/V, and A
and D those of its bonds. Replacing the numbers by what they imply lowers the Gibbs energy (successive substitution);
Newton on the same residual is fast; damping joins the two.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.energy import Feed, component_sum
from hspkit.phases.mixture import Array, Mixtures

__all__ = ["ACCEPTED_POTENTIALS", "Phases", "State", "minimise"]

#: Chemical potentials of a component in two phases may differ by this much [RT]; the iteration aims for less.
_EQUAL_POTENTIALS = 1e-10
ACCEPTED_POTENTIALS = 1e-8
_MOST_STEPS = 200
#: Volume of a phase that counts as none, so that nothing is divided by 0.
_NONE = 1e-300
#: Least share of A and D that a step leaves.
_LEAST_LEFT = 0.2


class State(NamedTuple):
    """Phases at numbers u (b, P, r + 4): Gibbs energy against one phase (b,), u - implied, potential gap (b,), n_ip.

    ``sums`` (b, P, 2 + r + k + l) are those over n_ip of (1/V, 1, d, sites).
    """

    numbers: Array
    energy: Array
    residual: Array
    gap: Array
    volumes: Array
    sums: Array


class Phases:
    """The Gibbs energy of b mixtures in P phases as a function of u (b, P, r + 4): b, lam, q, A, D of each."""

    def __init__(self, mixtures: Mixtures) -> None:
        self.feed = Feed(mixtures)
        self.mixtures = mixtures
        inverse = np.broadcast_to(
            1.0 / mixtures.volumes, (max(len(mixtures.volumes), len(self.feed.moments)), mixtures.volumes.shape[-1])
        )
        lead = np.stack([inverse, np.ones_like(inverse)], axis=-1)
        self.moments = np.concatenate(
            [lead, np.broadcast_to(self.feed.moments, (*inverse.shape, self.feed.moments.shape[-1]))], axis=-1
        )
        self.whole = component_sum(mixtures.fractions[:, None, :], self.moments)[:, 0]

    def take(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> Phases:
        """Return some of the mixtures."""
        return Phases(self.mixtures.take(rows))

    def features(self, u: Array) -> Array:
        """Return how ln of the share of a component in a phase answers to u of that phase (b, P, n, r + 4)."""
        r = self.feed.rank
        sizes = self.feed.volumes[:, None, :]
        slopes = self.feed.slopes(u[..., r + 2 :])
        answer = np.empty((*u.shape[:2], sizes.shape[-1], r + 4))
        answer[..., 0] = 1.0
        answer[..., 1] = sizes
        answer[..., 2 : r + 2] = self.feed.moments[:, None, :, :r] * sizes[..., None]
        for place, feature in enumerate(self.feed.feature_pair(slopes)):
            answer[..., r + 2 + place] = feature * sizes
        return answer

    def volumes(self, u: Array) -> tuple[Array, Array]:
        """Return n_ip and ln of the softmax, both (b, P, n)."""
        r = self.feed.rank
        logs = self.feed.logs(u[..., r + 2 :])
        field = np.matmul(logs, self.feed.across[:, r:]) + np.matmul(u[..., 2 : r + 2], self.feed.across[:, :r])
        logits = u[..., :1] + self.feed.volumes[:, None, :] * (field + u[..., 1:2])
        logits -= logits.max(axis=1, keepdims=True)
        log_share = logits - np.log(np.exp(logits).sum(axis=1, keepdims=True))
        return self.feed.fractions[:, None, :] * np.exp(log_share), log_share

    def implied(self, volumes: Array, guess: Array | None = None) -> tuple[Array, Array, Array]:
        """Return the u that phases of n_ip (b, P, n) imply, their sums, and A D - sum phi h of the bonds (b, P)."""
        r = self.feed.rank
        sums = component_sum(volumes, self.moments)
        sizes = np.maximum(sums[..., 1], _NONE)
        inside = sums[..., 2:] / sizes[..., None]
        bonds, _ = self.feed.bonded(inside, guess)
        product = bonds.prod(axis=-1)
        u = np.empty((*sizes.shape, r + 4))
        u[..., 0] = np.log(sizes)
        u[..., 1] = sums[..., 0] / sizes - (inside[..., :r] ** 2).sum(axis=-1) - product
        u[..., 2 : r + 2] = 2.0 * inside[..., :r]
        u[..., : r + 2] -= u[:, :1, : r + 2]
        u[..., r + 2 :] = bonds
        logs = self.feed.logs(bonds)
        return u, sums, product - (inside[..., r:] * logs).sum(axis=-1)

    def numbers(self, volumes: Array) -> Array:
        """Return u that gives phases of these n_ip (b, P, n), as far as the parametrisation can."""
        return self.implied(volumes)[0]

    def state(self, u: Array) -> State:
        """Return everything about the phases at u."""
        r = self.feed.rank
        volumes, log_share = self.volumes(u)
        implied, sums, bonds = self.implied(volumes, u[..., r + 2])
        sizes = np.maximum(sums[..., 1], _NONE)
        energy = (volumes * log_share / self.feed.volumes[:, None, :]).sum(axis=(1, 2))
        energy -= (sums[..., 0] * np.log(sizes)).sum(axis=-1)
        energy += (self.whole[:, 2 : r + 2] ** 2).sum(axis=-1)
        energy -= ((sums[..., 2 : r + 2] ** 2).sum(axis=-1) / sizes).sum(axis=-1)
        energy += (sizes * bonds).sum(axis=-1) - self._bonds_of_feed()
        residual = u - implied
        # what each component's potential is off by between a phase and the first
        logs = [self.feed.logs(part[..., r + 2 :]) for part in (u, implied)]
        field = np.matmul(logs[0] - logs[1], self.feed.across[:, r:])
        field = field + np.matmul(residual[..., 2 : r + 2], self.feed.across[:, :r]) + residual[..., 1:2]
        off = residual[..., :1] + self.feed.volumes[:, None, :] * field
        gap = np.where(self.feed.present[:, None, :], np.abs(off[:, 1:] - off[:, :1]), 0.0).max(axis=(1, 2))
        return State(u, energy, residual, gap, volumes, sums)

    def _bonds_of_feed(self) -> Array:
        feed = self.feed
        logs = feed.logs(feed.bonds[:, None, :])[:, 0]
        return feed.acceptors * feed.donors - (feed.sums[:, feed.rank :] * logs).sum(axis=-1)

    def jacobian(self, state: State) -> tuple[Array, Array]:
        """Return d residual/du over the numbers that are free (b, m, m), and the flat residual (b, m)."""
        count, phases = state.volumes.shape[:2]
        r, k = self.feed.rank, self.feed.rank + 4
        features = self.features(state.numbers)
        share = state.volumes / np.where(self.feed.present, self.feed.fractions, 1.0)[:, None, :]
        # how n_ip answers to u_q: n_ip (delta_pq - f_iq) F_iq
        weight = -state.volumes[:, :, None, :] * share[:, None, :, :]
        every = np.arange(phases)
        weight[:, every, every, :] += state.volumes
        driven = weight[..., None] * features[:, None]
        moments = np.broadcast_to(self.moments, (count, *self.moments.shape[1:])).swapaxes(-1, -2)
        answer = np.matmul(moments[:, None, None], driven)  # (b, p, q, m, k)
        local = self._implied_slopes(state)  # (b, p, k, m)
        change = np.matmul(local[:, :, None], answer)
        change[..., : r + 2, :] -= change[:, :1, :, : r + 2, :].copy()
        matrix = -change.transpose(0, 1, 3, 2, 4).reshape(count, phases * k, phases * k)
        index = np.arange(phases * k)
        matrix[:, index, index] += 1.0
        free = index[r + 2 :]  # b, lam, q of the first phase are 0
        return matrix[:, free[:, None], free[None, :]], state.residual.reshape(count, -1)[:, free]

    def _implied_slopes(self, state: State) -> Array:
        """Return d implied/d sums of one phase, before that of the first is taken off (b, P, k, m)."""
        r = self.feed.rank
        sums = state.sums
        sizes = np.maximum(sums[..., 1], _NONE)
        inside = sums[..., 2:] / sizes[..., None]
        u = state.numbers - state.residual
        acceptors, donors = u[..., r + 2], u[..., r + 3]
        slopes = self.feed.slopes(u[..., r + 2 :])
        to_a, to_d = self.feed.order(inside, slopes)
        rest = np.maximum(1.0 - to_a * to_d, 1e-9)[..., None]
        kinds = self.feed.kinds
        local = np.zeros((*sizes.shape, r + 4, sums.shape[-1]))
        by_a, by_d = np.zeros_like(sums), np.zeros_like(sums)
        sites = r + 2
        by_a[..., sites : sites + kinds] = -to_a[..., None] * slopes[..., :kinds] / rest
        by_a[..., sites + kinds :] = slopes[..., kinds:] / rest
        by_d[..., sites : sites + kinds] = slopes[..., :kinds] / rest
        by_d[..., sites + kinds :] = -to_d[..., None] * slopes[..., kinds:] / rest
        for row, by in ((r + 2, by_a), (r + 3, by_d)):
            local[..., row, :] = by / sizes[..., None]
            local[..., row, 1] = -(by[..., 2:] * inside).sum(axis=-1) / sizes
        local[..., 0, 1] = 1.0 / sizes
        local[..., 1, 0] = 1.0 / sizes
        mean = inside[..., :r]
        local[..., 1, 1] = (-sums[..., 0] / sizes + 2.0 * (mean**2).sum(axis=-1)) / sizes
        local[..., 1, 2 : r + 2] = -2.0 * mean / sizes[..., None]
        local[..., 1, :] -= donors[..., None] * local[..., r + 2, :] + acceptors[..., None] * local[..., r + 3, :]
        index = np.arange(r)
        local[..., 2 + index, 2 + index] = 2.0 / sizes[..., None]
        local[..., 2 : r + 2, 1] = -2.0 * mean / sizes[..., None]
        return local


def minimise(phases: Phases, u: Array) -> State:
    """Go down to the nearest minimum of the Gibbs energy from u (b, P, r + 4)."""
    r = phases.feed.rank
    state = phases.state(u)
    result = State(*(part.copy() for part in state))
    alive = np.arange(len(u))
    damping = np.zeros(len(u))
    # below this the Gibbs energy of a step is rounding, and the potentials decide
    noise = 1e-14 * phases.whole[:, 0]
    for _ in range(_MOST_STEPS):
        going = (state.gap > _EQUAL_POTENTIALS) & (damping < 1e6)
        if not going.all():
            for whole, part in zip(result, state, strict=True):
                whole[alive[~going]] = part[~going]
            alive, damping, noise = alive[going], damping[going], noise[going]
            state = State(*(part[going] for part in state))
            if alive.size == 0:
                return result
            phases = phases.take(going)
        matrix, residual = phases.jacobian(state)
        index = np.arange(matrix.shape[-1])
        matrix[:, index, index] += damping[:, None]
        try:
            flat = -np.linalg.solve(matrix, residual[..., None])[..., 0]
        except np.linalg.LinAlgError:  # an exactly singular one among them: the plain step goes down for all
            flat = -residual
        step = np.concatenate([np.zeros((len(flat), r + 2)), flat], axis=1).reshape(state.numbers.shape)
        # far away Newton may be wild: the amounts of phases may change by some e-folds only
        step /= np.maximum(np.abs(step[..., 0]).max(axis=-1) / 8.0, 1.0)[:, None, None]
        tried = state.numbers + step
        tried[..., r + 2 :] = np.maximum(tried[..., r + 2 :], _LEAST_LEFT * state.numbers[..., r + 2 :])
        new = phases.state(tried)
        better = (new.energy < state.energy - noise) | ((new.energy <= state.energy + noise) & (new.gap < state.gap))
        better &= np.isfinite(new.energy)
        state = State(
            *(
                np.where(better.reshape(-1, *[1] * (old.ndim - 1)), now, old)
                for now, old in zip(new, state, strict=True)
            )
        )
        damping = np.where(better, np.where(damping < 0.05, 0.0, damping / 5.0), np.maximum(4.0 * damping, 0.3))
    for whole, part in zip(result, state, strict=True):
        whole[alive] = part
    return result
