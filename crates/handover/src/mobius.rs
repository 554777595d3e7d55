//! Linear-fractional maps of one reflection coefficient, and what they do to a disc.
//!
//! Input: `f(Γ) = a + b·Γ/(1 − d·Γ)`, what a wave through a linear multiport is when one of its ports is closed with `Γ`.
//! Output: the exact range of `|f|` over `|Γ| ≤ ρ`, and the arcs of `|Γ| = ρ` on which `|f|` is above or below a level.
//! Such maps send discs to discs, so no search is needed (any text on complex analysis; from memory).

use numerics::Complex64;
use std::f64::consts::{PI, TAU};

/// `f(Γ) = through + detour·Γ/(1 − loop_gain·Γ)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mobius {
    /// Value without reflection.
    pub through: Complex64,
    /// Way to the reflecting port times way back from it.
    pub detour: Complex64,
    /// What the port reflects of the wave sent back to it.
    pub loop_gain: Complex64,
}

/// Where `|f|` is largest and smallest over a disc.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extremes {
    /// Smallest magnitude.
    pub least: f64,
    /// A reflection that gives it.
    pub at_least: Complex64,
    /// Largest magnitude.
    pub most: f64,
    /// A reflection that gives it.
    pub at_most: Complex64,
}

impl Mobius {
    /// The value at a reflection.
    pub fn at(&self, gamma: Complex64) -> Complex64 {
        self.through + self.detour * gamma / (1.0 - self.loop_gain * gamma)
    }

    /// Reflection that gives a value.
    fn inverse(&self, value: Complex64) -> Complex64 {
        let rest = value - self.through;
        rest / (self.detour + rest * self.loop_gain)
    }

    /// Centre and radius of the image of `|Γ| ≤ rho`; none when the image reaches infinity.
    ///
    /// With `t = Γ/(1 − dΓ)` the disc becomes the one around `d*ρ²/(1 − |d|²ρ²)` with radius `ρ/(1 − |d|²ρ²)`.
    pub fn image(&self, rho: f64) -> Option<(Complex64, f64)> {
        let rest = 1.0 - self.loop_gain.norm_sqr() * rho * rho;
        if rest <= 0.0 {
            return None;
        }
        let centre = self.loop_gain.conj() * (rho * rho / rest);
        Some((self.through + self.detour * centre, self.detour.norm() * rho / rest))
    }

    /// Range of `|f|` over `|Γ| ≤ rho`; none when the circuit can oscillate there (`|loop gain|·rho ≥ 1`).
    pub fn extremes(&self, rho: f64) -> Option<Extremes> {
        let (centre, radius) = self.image(rho)?;
        let size = centre.norm();
        if radius == 0.0 {
            return Some(Extremes { least: size, at_least: 0.0.into(), most: size, at_most: 0.0.into() });
        }
        let direction = if size > 0.0 { centre / size } else { Complex64::from(1.0) };
        let on_disc = |value: Complex64| {
            let gamma = self.inverse(value);
            // a point of the rim comes back on the rim to rounding; keep it inside
            if gamma.norm() > rho { gamma * (rho / gamma.norm()) } else { gamma }
        };
        let at_most = on_disc(centre + direction * radius);
        let inside = radius >= size;
        let at_least = on_disc(if inside { Complex64::default() } else { centre - direction * radius });
        Some(Extremes { least: (size - radius).max(0.0), at_least, most: size + radius, at_most })
    }

    /// Phases `φ` of `Γ = rho·exp(jφ)` at which `|f| < level`, as arcs `(from, to)`, radian, `from` in 0…2π, `to > from`.
    ///
    /// `|a + (b − ad)Γ|² < level²·|1 − dΓ|²` is linear in `cos φ` and `sin φ`: at most one arc.
    pub fn below(&self, rho: f64, level: f64) -> Vec<(f64, f64)> {
        let slope = self.detour - self.through * self.loop_gain;
        let square = level * level;
        let constant = self.through.norm_sqr() + slope.norm_sqr() * rho * rho
            - square * (1.0 + self.loop_gain.norm_sqr() * rho * rho);
        // 2·Re(conj(a)·s·Γ) + 2·level²·Re(d·Γ) = |w|·cos(φ + arg w)
        let w = 2.0 * rho * (self.through.conj() * slope + square * self.loop_gain);
        let (size, turn) = (w.norm(), w.arg());
        if constant + size < 0.0 {
            return vec![(0.0, TAU)];
        }
        if constant - size >= 0.0 {
            return Vec::new();
        }
        // cos(φ + turn) < −constant/size
        let half = (-constant / size).clamp(-1.0, 1.0).acos();
        let (from, to) = (half - turn, TAU - half - turn);
        let start = from.rem_euclid(TAU);
        vec![(start, start + (to - from))]
    }
}

/// Transducer gain factor of a load or source whose reflection is `Γ` with `|Γ| ≤ rho`, worst and best, relative to the
/// matched one, for a port that reflects `own`: `(1 − |Γ|²)/|1 − own·Γ|²`.
pub fn mismatch_range(own: Complex64, rho: f64) -> (f64, f64) {
    let s = own.norm();
    let on_rim = |r: f64, cosine: f64| (1.0 - r * r) / (1.0 - 2.0 * cosine * s * r + s * s * r * r);
    // along the best phase the factor rises until Γ is the conjugate of the port's own reflection
    (on_rim(rho, -1.0), on_rim(rho.min(s), 1.0))
}

/// Lengths from 0 to `most_m` at which the phase `start − length·turn_per_m` lies in one of the arcs, metre.
pub fn lengths_in_arcs(arcs: &[(f64, f64)], start: f64, turn_per_m: f64, most_m: f64) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    for &(from, to) in arcs {
        if to - from >= TAU - 1e-12 {
            out.push((0.0, most_m));
            continue;
        }
        // start − x·turn = φ + 2πk for φ in the arc
        let first = ((start - from) / TAU).ceil() as i64 + 1;
        let last = ((start - most_m * turn_per_m - to) / TAU).floor() as i64 - 1;
        for k in last..=first {
            let shift = TAU * k as f64;
            let (a, b) = ((start - to - shift) / turn_per_m, (start - from - shift) / turn_per_m);
            let (a, b) = (a.max(0.0), b.min(most_m));
            if b > a {
                out.push((a, b));
            }
        }
    }
    joined(out)
}

/// Union of intervals, rising.
pub fn joined(mut intervals: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    intervals.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out: Vec<(f64, f64)> = Vec::new();
    for (a, b) in intervals {
        match out.last_mut() {
            Some(last) if a <= last.1 => last.1 = last.1.max(b),
            _ => out.push((a, b)),
        }
    }
    out
}

/// Phase in −π…π.
pub fn wrapped(phase: f64) -> f64 {
    let p = phase.rem_euclid(TAU);
    if p > PI { p - TAU } else { p }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(seed: u64) -> Mobius {
        // fixed, irregular numbers of passive size
        let x = |k: u64| ((seed * 7 + k * 13) % 29) as f64 / 29.0 - 0.5;
        Mobius {
            through: Complex64::new(x(1), x(2)),
            detour: Complex64::new(x(3), x(4)),
            loop_gain: Complex64::new(x(5), x(6)),
        }
    }

    #[test]
    fn no_reflection_of_a_disc_leaves_the_exact_range_and_its_ends_are_reached() {
        for seed in 0..20 {
            let (m, rho) = (map(seed), 0.9);
            let e = m.extremes(rho).expect("passive");
            assert!((m.at(e.at_most).norm() - e.most).abs() < 1e-12, "seed {seed}");
            assert!((m.at(e.at_least).norm() - e.least).abs() < 1e-12, "seed {seed}");
            for i in 0..40 {
                for j in 0..60 {
                    let gamma = Complex64::from_polar(rho * f64::from(i) / 39.0, f64::from(j) * TAU / 60.0);
                    let value = m.at(gamma).norm();
                    assert!(value <= e.most + 1e-12 && value >= e.least - 1e-12, "seed {seed} at {gamma}");
                }
            }
        }
    }

    #[test]
    fn the_arc_below_a_level_is_exactly_where_the_map_is_below_it() {
        for seed in 0..20 {
            let (m, rho) = (map(seed), 0.95);
            let e = m.extremes(rho).expect("passive");
            for part in [0.2, 0.5, 0.8, 1.1] {
                let level = e.least + part * (e.most - e.least);
                let arcs = m.below(rho, level);
                for j in 0..720 {
                    let phase = (f64::from(j) + 0.5) * TAU / 720.0;
                    let inside = arcs.iter().any(|&(a, b)| (phase > a && phase < b) || (phase + TAU < b));
                    let value = m.at(Complex64::from_polar(rho, phase)).norm();
                    // on the very border rounding decides
                    if (value - level).abs() > 1e-9 {
                        assert_eq!(inside, value < level, "seed {seed}, {part}, {phase}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_load_can_do_no_better_than_the_conjugate_match() {
        let own = Complex64::from_polar(0.4, 1.1);
        let (worst, best) = mismatch_range(own, 0.9);
        // conjugate match delivers 1/(1 − |s|²), any text on two-ports (memory)
        assert!((best - 1.0 / (1.0 - 0.16)).abs() < 1e-12);
        for i in 0..40 {
            for j in 0..60 {
                let gamma = Complex64::from_polar(0.9 * f64::from(i) / 39.0, f64::from(j) * TAU / 60.0);
                let gain = (1.0 - gamma.norm_sqr()) / (1.0 - own * gamma).norm_sqr();
                assert!(gain <= best + 1e-12 && gain >= worst - 1e-12);
            }
        }
    }

    #[test]
    fn lengths_repeat_every_half_wave() {
        let turn = 4.0 * PI / 0.01; // wavelength 10 mm
        let lengths = lengths_in_arcs(&[(1.0, 2.0)], 0.5, turn, 0.02);
        assert_eq!(lengths.len(), 4);
        for pair in lengths.windows(2) {
            assert!((pair[1].0 - pair[0].0 - 0.005).abs() < 1e-12);
        }
        for (a, b) in lengths {
            let phase = (0.5 - 0.5 * (a + b) * turn).rem_euclid(TAU);
            assert!(phase > 1.0 && phase < 2.0, "{phase}");
        }
    }
}
