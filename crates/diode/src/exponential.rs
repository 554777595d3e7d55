//! One exponential conduction branch: the forward junction, or mirrored the reverse breakdown.
//!
//! `i(v) = i0·(exp((v − v0)/a) − exp(−v0/a))`, so that no current flows at zero voltage.
//! Above an exponent of [`EXPONENT_MAX`] the exponential continues as its tangent, which keeps
//! every result finite; the value 250 stands for 6.5 V across a room-temperature junction, where
//! series resistance and melting took over long before.
//! The wave equation `v + r·i(v) = w` is solved through the Wright function ω, `ω + ln ω = z`
//! (Corless & Jeffrey, "The Wright ω function", 2002; one fourth-order step after Fritsch, Shafer &
//! Crowley, "Solution of the transcendental equation w e^w = x", 1973; both (memory)), which never
//! forms a large exponential, and polished by one step on the equation itself.

use numerics::Complex64;

/// Exponent above which the exponential continues as its tangent.
pub const EXPONENT_MAX: f64 = 250.0;
/// Exponent below which a displaced branch (breakdown) carries no current: 2e-35 of `i0`.
const EXPONENT_NEGLIGIBLE: f64 = -80.0;
/// Below this size of the exponent `exp − 1` would cancel, so `exp_m1` is used.
const EXPONENT_SMALL: f64 = 0.5;
/// Below this argument the Wright function is its power series in `exp z`; the next term is 4e-5 of it.
const SERIES_BELOW: f64 = -2.5;
/// Between [`SERIES_BELOW`] and this argument the start is the Taylor polynomial about `z = 1`.
const TAYLOR_BELOW: f64 = 4.0;

/// Below this part of the scale voltage the start is the linear one, good to 3e-4 of the voltage
/// itself, so that the third-order step keeps the relative accuracy down to zero.
const SMALL_WAVE: f64 = 5e-4;

/// An exponential branch with its scale voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Exponential {
    /// Scale voltage `a`, volt.
    scale_v: f64,
    inv_scale: f64,
    /// Displacement `v0`, volt.
    offset_v: f64,
    /// Current `i0`, ampere.
    i0_a: f64,
    /// `i0·exp(−v0/a)`, ampere; zero when negligible.
    saturation_a: f64,
    /// `i0·exp(EXPONENT_MAX)`, ampere.
    knee_a: f64,
}

impl Exponential {
    pub(crate) fn new(i0_a: f64, scale_v: f64, offset_v: f64) -> Self {
        let inv_scale = 1.0 / scale_v;
        let exponent = -offset_v * inv_scale;
        let saturation_a = if exponent < EXPONENT_NEGLIGIBLE { 0.0 } else { i0_a * exponent.exp() };
        let knee_a = i0_a * EXPONENT_MAX.exp();
        Self { scale_v, inv_scale, offset_v, i0_a, saturation_a, knee_a }
    }

    /// Current that flows against the branch at large negative voltage, ampere.
    pub(crate) fn saturation_a(&self) -> f64 {
        self.saturation_a
    }

    /// Scale voltage, volt.
    pub(crate) fn scale_v(&self) -> f64 {
        self.scale_v
    }

    /// Whether the branch carries exactly no current at `v`.
    pub(crate) fn is_idle(&self, v: f64) -> bool {
        self.i0_a == 0.0 || (self.offset_v > 0.0 && (v - self.offset_v) * self.inv_scale < EXPONENT_NEGLIGIBLE)
    }

    /// Current and conductance at `v`.
    #[inline]
    pub(crate) fn at(&self, v: f64) -> (f64, f64) {
        let t = v * self.inv_scale;
        if t.abs() < EXPONENT_SMALL {
            let m = t.exp_m1();
            return (self.saturation_a * m, self.saturation_a * (m + 1.0) * self.inv_scale);
        }
        let u = (v - self.offset_v) * self.inv_scale;
        if u > EXPONENT_MAX {
            let i = self.knee_a * (1.0 + (u - EXPONENT_MAX));
            return (i - self.saturation_a, self.knee_a * self.inv_scale);
        }
        if self.is_idle(v) {
            return (0.0 - self.saturation_a, 0.0);
        }
        let e = self.i0_a * u.exp();
        (e - self.saturation_a, e * self.inv_scale)
    }

    /// Adds the series coefficients of the current, times `sign`, for `v0` and increments `dv`.
    ///
    /// Recursion of the exponential: with `E = exp(U)`, `k·E_k = Σ_{j=1..k} j·U_j·E_{k−j}`.
    pub(crate) fn add_series(&self, v0: f64, dv: &[Complex64], sign: f64, out: &mut [Complex64]) {
        let (current, conductance) = self.at(v0);
        if (v0 - self.offset_v) * self.inv_scale > EXPONENT_MAX {
            for (o, d) in out.iter_mut().zip(dv) {
                *o += sign * conductance * d;
            }
            return;
        }
        let e0 = Complex64::from(if conductance > 0.0 { conductance * self.scale_v } else { 0.0 });
        if e0.re == 0.0 && current <= 0.0 {
            return;
        }
        let mut e = Vec::with_capacity(dv.len() + 1);
        e.push(e0);
        for k in 1..=dv.len() {
            let sum: Complex64 = (1..=k).map(|j| dv[j - 1] * e[k - j] * j as f64).sum();
            e.push(sum * (self.inv_scale / k as f64));
            out[k - 1] += sign * e[k];
        }
    }

    /// Solution of `v + r·i(v) = w` with current and conductance there, all to rounding; `r > 0`.
    #[inline]
    pub(crate) fn solve(&self, w: f64, r: f64) -> (f64, f64, f64) {
        self.wave_solver(r).solve(w)
    }

    /// The part of the solution that depends on `r` only.
    #[inline]
    pub(crate) fn wave_solver(&self, r: f64) -> WaveSolver {
        let q = r * self.i0_a * self.inv_scale;
        WaveSolver {
            branch: *self,
            r,
            log_q: q.ln(),
            shift_v: r * self.saturation_a - self.offset_v,
            knee: self.knee(r),
        }
    }

    /// Wave and slope at the exponent where the tangent begins.
    fn knee(&self, r: f64) -> (f64, f64, f64) {
        let v = self.offset_v + EXPONENT_MAX * self.scale_v;
        (v, v + r * (self.knee_a - self.saturation_a), 1.0 + r * self.knee_a * self.inv_scale)
    }
}

/// Solver of `v + r·i(v) = w` for one branch and one `r`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct WaveSolver {
    branch: Exponential,
    r: f64,
    log_q: f64,
    shift_v: f64,
    /// Voltage, wave and wave slope where the tangent begins.
    knee: (f64, f64, f64),
}

impl WaveSolver {
    /// Voltage, current and conductance for the wave `w`.
    #[inline]
    pub(crate) fn solve(&self, w: f64) -> (f64, f64, f64) {
        let b = &self.branch;
        if b.i0_a == 0.0 {
            return (w, 0.0, 0.0);
        }
        if w == 0.0 {
            return (0.0, 0.0, b.at(0.0).1);
        }
        if w > self.knee.1 {
            let v = self.knee.0 + (w - self.knee.1) / self.knee.2;
            let (i, g) = b.at(v);
            return (v, i, g);
        }
        let start = if b.offset_v == 0.0 && w.abs() < SMALL_WAVE * b.scale_v {
            w / (1.0 + self.r * b.i0_a * b.inv_scale)
        } else {
            self.start(w)
        };
        self.polish(w, start)
    }

    /// Voltage with an error of some 1e-8 scale voltages, through the Wright function.
    #[inline]
    fn start(&self, w: f64) -> f64 {
        let b = &self.branch;
        let z = (w + self.shift_v) * b.inv_scale + self.log_q;
        if z < SERIES_BELOW {
            let e = z.exp();
            let x = e * (1.0 - e * (1.0 - e * (1.5 - e * (8.0 / 3.0 - e * (125.0 / 24.0)))));
            return w + (self.shift_v + b.offset_v) - b.scale_v * x;
        }
        let x = if z < TAYLOR_BELOW {
            let t = z - 1.0;
            1.0 + t * (0.5 + t * (1.0 / 16.0 + t * (-1.0 / 192.0 + t * (-1.0 / 3072.0 + t * (13.0 / 61440.0)))))
        } else {
            let l = z.ln();
            z - l + l / z
        };
        // One fourth-order step on x + ln x = z.
        let log_x = x.ln();
        let rest = z - x - log_x;
        let x1 = 1.0 + x;
        let t = 2.0 * x1 * (x1 + (2.0 / 3.0) * rest);
        let e = rest / x1 * (t - rest) / (t - 2.0 * rest);
        let log_step = e * (1.0 - e * (0.5 - e * (1.0 / 3.0 - e * (0.25 - e * 0.2))));
        b.offset_v + b.scale_v * (log_x + log_step - self.log_q)
    }

    /// One step of third order on the equation itself; current and conductance follow the step.
    #[inline]
    fn polish(&self, w: f64, v: f64) -> (f64, f64, f64) {
        let b = &self.branch;
        let (i, g) = b.at(v);
        let slope = 1.0 + self.r * g;
        let newton = (w - v - self.r * i) / slope;
        let t = newton * b.inv_scale;
        let step = newton / (1.0 + 0.5 * t * (self.r * g) / slope);
        let s = step * b.inv_scale;
        let gain = s * (1.0 + s * (0.5 + s * (1.0 / 6.0)));
        (v + step, i + g * b.scale_v * gain, g * (1.0 + gain))
    }
}
