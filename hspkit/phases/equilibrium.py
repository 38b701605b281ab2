"""Phases at equilibrium: their Gibbs energy, and the way down to its minimum.

With n_ip the volume of component i in phase p, every equilibrium has

    n_ip = z_i softmax over p of (b_p + V_i (lam_p + q_p.d_i)),

so P phases need (P - 1)(r + 2) numbers whatever the number of components, the material balance holds for any
values of them, and the Gibbs energy can be minimised without constraints. At the minimum b, lam and q equal
what the phases themselves imply: b = ln(N_p/N_0), lam = S_p - S_0 - a(|m_p|^2 - |m_0|^2), q = 2a(m_p - m_0),
where N is the volume of a phase, m its mean d and S = sum phi/V. Replacing the numbers by what they imply
always lowers the Gibbs energy (method of successive substitution); Newton on the same residual is fast;
damping joins the two.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.mixture import Array, Mixtures, dual, metric, squared, tilt_of

__all__ = ["ACCEPTED_POTENTIALS", "Phases", "minimise", "minimise_pair"]

#: Chemical potentials of a component in two phases may differ by this much [RT]; the iteration aims for less.
_EQUAL_POTENTIALS = 1e-10
ACCEPTED_POTENTIALS = 1e-8
_MOST_STEPS = 200


class Phases:
    """The Gibbs energy of b mixtures in P phases as a function of u (b, P - 1, r + 2), and its residual."""

    def __init__(self, mixtures: Mixtures) -> None:
        self.feed = mixtures.fractions
        self.sizes = mixtures.volumes
        points = mixtures.points - mixtures.points.mean(axis=-2, keepdims=True)
        self.strength = mixtures.strength
        inverse = np.broadcast_to(1.0 / self.sizes, np.broadcast_shapes(self.sizes.shape, points.shape[:-1]))
        self.moment = np.concatenate([inverse[..., None], np.ones_like(inverse)[..., None], points], axis=-1)
        self.feature = self.moment * self.sizes[..., None]
        present = self.feed > 0
        self.present = present
        self.total = self.moments(self.feed[:, None, :])

    def take(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> Phases:
        """Return some of the mixtures."""
        other = object.__new__(Phases)
        for name in ("feed", "present", "total"):
            setattr(other, name, getattr(self, name)[rows])
        for name in ("sizes", "strength", "moment", "feature"):
            values = getattr(self, name)
            setattr(other, name, values if values.shape[0] == 1 else values[rows])
        return other

    def moments(self, volumes: Array) -> Array:
        """T_p = sum_i n_ip (1/V_i, 1, d_i), shape (b, P, r + 2)."""
        return volumes @ self.moment[0] if self.moment.shape[0] == 1 else np.matmul(volumes, self.moment)

    def volumes(self, u: Array) -> tuple[Array, Array]:
        """Return n_ip and ln of the softmax, both (b, P, n)."""
        logits = u @ self.feature[0].T if self.feature.shape[0] == 1 else np.matmul(u, self.feature.transpose(0, 2, 1))
        logits = np.concatenate([np.zeros_like(logits[:, :1]), logits], axis=1)
        logits -= logits.max(axis=1, keepdims=True)
        log_share = logits - np.log(np.exp(logits).sum(axis=1, keepdims=True))
        return self.feed[:, None, :] * np.exp(log_share), log_share

    def implied(self, moments: Array) -> Array:
        """Return the u (b, P - 1, k) that phases of moments T_p (b, P, k) imply."""
        moles, sizes, reach = moments[..., 0], np.maximum(moments[..., 1], 1e-300), moments[..., 2:]
        mean = reach / sizes[..., None]
        level = moles / sizes - self.strength[:, None] * squared(mean)
        u = np.empty_like(moments[:, 1:])
        u[..., 0] = np.log(sizes[:, 1:]) - np.log(sizes[:, :1])
        u[..., 1] = level[:, 1:] - level[:, :1]
        u[..., 2:] = tilt_of(self.strength[:, None], mean[:, 1:] - mean[:, :1])
        return u

    def numbers(self, volumes: Array) -> Array:
        """Return u that gives phases of these n_ip (b, P, n), as far as the parametrisation can."""
        return self.implied(self.moments(volumes))

    def state(self, u: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Return Gibbs energy against one phase (b,), residual (b, P-1, k), potential gap (b,), n_ip, T_p."""
        volumes, log_share = self.volumes(u)
        moments = self.moments(volumes)
        moles, sizes, reach = moments[..., 0], moments[..., 1], moments[..., 2:]
        safe = np.maximum(sizes, 1e-300)
        mean = reach / safe[..., None]
        energy = (volumes * log_share / self.sizes[:, None, :]).sum(axis=(1, 2))
        energy -= (moles * np.log(safe)).sum(axis=-1)
        whole = squared(self.total[:, 0, 2:])
        energy += self.strength * (whole - (safe * squared(mean)).sum(axis=-1))
        residual = u - self.implied(moments)
        if self.feature.shape[0] == 1:
            gap = residual @ self.feature[0].T
        else:
            gap = np.matmul(residual, self.feature.transpose(0, 2, 1))
        gap = np.where(self.present[:, None, :], np.abs(gap), 0.0).max(axis=(1, 2))
        return energy, residual, gap, volumes, moments

    def jacobian(self, volumes: Array, moments: Array) -> Array:
        """Return d residual / du as (b, (P-1) k, (P-1) k)."""
        count, phases, n = volumes.shape
        k = moments.shape[-1]
        size = (phases - 1) * k
        share = volumes / np.where(self.present, self.feed, 1.0)[:, None, :]
        # B_pq = sum_i z_i f_ip (delta_pq - f_iq) F_i F_i^T / V_i, how the moments answer to the numbers
        weight = -volumes[:, :, None, :] * share[:, None, 1:, :]
        index = np.arange(1, phases)
        weight[:, index, index - 1, :] += volumes[:, 1:, :]
        square = (self.feature[..., :, None] * self.moment[..., None, :]).reshape(self.feature.shape[0], n, k * k)
        flat = weight.reshape(count, phases * (phases - 1), n)
        answer = (flat @ square[0] if square.shape[0] == 1 else np.matmul(flat, square)).reshape(
            count, phases, phases - 1, k, k
        )
        # d implied / dT of one phase
        sizes = np.maximum(moments[..., 1], 1e-300)
        density = moments[..., 0] / sizes
        mean = moments[..., 2:] / sizes[..., None]
        slope = dual(mean)
        a = self.strength[:, None]
        local = np.zeros((count, phases, k, k))
        local[..., 0, 1] = 1.0 / sizes
        local[..., 1, 0] = 1.0 / sizes
        local[..., 1, 1] = (-density + 2.0 * a * squared(mean)) / sizes
        local[..., 1, 2:] = -2.0 * a[..., None] * slope / sizes[..., None]
        local[..., 2:, 1] = -2.0 * a[..., None] * slope / sizes[..., None]
        local[..., 2:, 2:] = (2.0 * a / sizes)[..., None, None] * np.diag(metric(k - 2))
        # implied_p = s(T_p) - s(T_0)
        change = np.matmul(local[:, 1:, None], answer[:, 1:])
        change -= np.matmul(local[:, :1], answer[:, 0])[:, None]
        matrix = -change.transpose(0, 1, 3, 2, 4).reshape(count, size, size)
        return matrix + np.eye(size)


def minimise(phases: Phases, u: Array) -> tuple[Array, Array, Array]:
    """Go down to the nearest minimum of the Gibbs energy; return u, potential gap and n_ip."""
    count, others, k = u.shape
    size = others * k
    u = u.copy()
    energy, residual, gap, volumes, moments = phases.state(u)
    found_volumes, found_gap, found_u = volumes.copy(), gap.copy(), u.copy()
    alive = np.arange(count)
    damping = np.zeros(count)
    # below this the Gibbs energy of a step is rounding, and the potentials decide
    noise = 1e-14 * phases.total[:, 0, 0]
    for _ in range(_MOST_STEPS):
        going = (gap > _EQUAL_POTENTIALS) & (damping < 1e6)
        if not going.all():
            done = ~going
            found_volumes[alive[done]], found_gap[alive[done]] = volumes[done], gap[done]
            found_u[alive[done]] = u[done]
            alive, u, damping, noise = alive[going], u[going], damping[going], noise[going]
            energy, residual, gap = energy[going], residual[going], gap[going]
            volumes, moments = volumes[going], moments[going]
            if alive.size == 0:
                break
            phases = phases.take(going)
        matrix = phases.jacobian(volumes, moments) + damping[:, None, None] * np.eye(size)
        right = residual.reshape(-1, size, 1)
        try:
            step = -np.linalg.solve(matrix, right).reshape(u.shape)
        except np.linalg.LinAlgError:  # an exactly singular one among them: the plain step goes down for all
            step = -residual
        # far away Newton may be wild: the amounts of phases may change by some e-folds only
        reach = np.abs(step[..., 0]).max(axis=-1) / 8.0
        step /= np.maximum(reach, 1.0)[:, None, None]
        trial = u + step
        new = phases.state(trial)
        better = (new[0] < energy - noise) | ((new[0] <= energy + noise) & (new[2] < gap))
        better &= np.isfinite(new[0])
        pick = better[:, None, None]
        u = np.where(pick, trial, u)
        energy, gap = np.where(better, new[0], energy), np.where(better, new[2], gap)
        residual, volumes = np.where(pick, new[1], residual), np.where(pick, new[3], volumes)
        moments = np.where(pick, new[4], moments)
        damping = np.where(better, np.where(damping < 0.05, 0.0, damping / 5.0), np.maximum(4.0 * damping, 0.3))
    found_volumes[alive], found_gap[alive], found_u[alive] = volumes, gap, u
    return found_u, found_gap, found_volumes


def minimise_pair(mixtures: Mixtures, start: Array) -> Array:
    """Return the first component's fraction in both phases of binaries (b, 2), from an unstable pair."""
    feed = mixtures.fractions[:, 0]
    amount = (feed - start[:, 0]) / (start[:, 1] - start[:, 0])
    inside = np.stack([start, 1.0 - start], axis=-1)
    volumes = inside * np.stack([1.0 - amount, amount], axis=-1)[..., None]
    phases = Phases(mixtures)
    _, _, found = minimise(phases, phases.numbers(volumes))
    return np.sort(found[..., 0] / found.sum(axis=-1), axis=-1)
