//! Special functions: scaled modified Bessel, Wright omega, gamma, hypergeometric.

/// `e^-|x| I_n(x)` of integer order and real argument; relative error about 1e-14.
///
/// Downward recurrence normalised by `e^x = I_0 + 2 (I_1 + I_2 + ...)`.
/// Source: DLMF 10.29.1 and 10.35.5.
pub fn bessel_i_scaled(n: u32, x: f64) -> f64 {
    let size = x.abs();
    if size == 0.0 {
        return f64::from(u8::from(n == 0));
    }
    // Far enough beyond both the order and the turning point that the start does not matter.
    let top = n.max(size.sqrt() as u32 * 12 + 40) + 30;
    let (mut above, mut here) = (0.0f64, 1e-280f64);
    let (mut sum, mut wanted) = (0.0, 0.0);
    for k in (0..=top).rev() {
        if k == n {
            wanted = here;
        }
        sum += if k == 0 { here } else { 2.0 * here };
        let below = above + 2.0 * f64::from(k) / size * here;
        (above, here) = (here, below);
        if here > 1e200 {
            for value in [&mut above, &mut here, &mut sum, &mut wanted] {
                *value *= 1e-250;
            }
        }
    }
    let sign = if x < 0.0 && n % 2 == 1 { -1.0 } else { 1.0 };
    sign * wanted / sum
}

/// Wright omega of a real argument: the solution `w > 0` of `w + ln w = z`.
///
/// Newton on the logarithm for small `w`, on `w` itself for large; relative error about 1e-15.
pub fn wright_omega(z: f64) -> f64 {
    if z < -700.0 {
        return z.exp();
    }
    // Start: w = e^z far left, z - ln z far right, a blend between.
    let mut w = if z < -2.0 {
        z.exp()
    } else if z > 2.0 {
        z - z.ln()
    } else {
        (0.567 + 0.362 * z + 0.06 * z * z).max(0.1)
    };
    for _ in 0..30 {
        // Halley-like step on r = z - w - ln w (Fritsch, Shafer, Crowley 1973).
        let r = z - w - w.ln();
        let t = (1.0 + w) * (1.0 + w + 2.0 / 3.0 * r);
        let next = w * (1.0 + r / (1.0 + w) * (t - 0.5 * r) / (t - r));
        if next.is_nan() || next <= 0.0 {
            w *= 0.5;
            continue;
        }
        let settled = (next - w).abs() <= 4e-16 * next;
        w = next;
        if settled {
            break;
        }
    }
    w
}

/// Gamma function of a real argument that is not a pole; relative error about 1e-14.
///
/// Lanczos sum with g = 7, 9 terms (Godfrey's coefficients, from memory; checked against factorials
/// and the value at one half in the tests below), reflection below one half.
pub fn gamma(x: f64) -> f64 {
    const COEFFICIENTS: [f64; 9] = [
        0.999_999_999_999_809_9,
        676.520_368_121_885_1,
        -1_259.139_216_722_402_8,
        771.323_428_777_653_1,
        -176.615_029_162_140_6,
        12.507_343_278_686_905,
        -0.138_571_095_265_720_12,
        9.984_369_578_019_572e-6,
        1.505_632_735_149_311_6e-7,
    ];
    if x < 0.5 {
        return std::f64::consts::PI / ((std::f64::consts::PI * x).sin() * gamma(1.0 - x));
    }
    let x = x - 1.0;
    let t = x + 7.5;
    let rest = COEFFICIENTS[1..].iter().zip(1..).map(|(c, k)| c / (x + f64::from(k)));
    let sum = COEFFICIENTS[0] + rest.sum::<f64>();
    std::f64::consts::TAU.sqrt() * t.powf(x + 0.5) * (-t).exp() * sum
}

/// `1/Gamma(x)`, zero at the poles.
pub fn gamma_reciprocal(x: f64) -> f64 {
    if x <= 0.0 && x == x.round() { 0.0 } else { 1.0 / gamma(x) }
}

/// Gauss hypergeometric series, `|z| < 1`.
pub fn hypergeometric_2f1(a: f64, b: f64, c: f64, z: f64) -> f64 {
    let (mut term, mut sum) = (1.0f64, 1.0f64);
    for k in 0..2000 {
        let k = f64::from(k);
        term *= (a + k) * (b + k) / ((c + k) * (1.0 + k)) * z;
        sum += term;
        if term.abs() <= 1e-17 * sum.abs() {
            break;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::{bessel_i_scaled, gamma, wright_omega};

    #[test]
    fn gamma_gives_factorials_and_root_pi() {
        let mut factorial = 1.0;
        for n in 1..15 {
            assert!((gamma(f64::from(n)) / factorial - 1.0).abs() < 1e-13, "{n}");
            factorial *= f64::from(n);
        }
        assert!((gamma(0.5) / std::f64::consts::PI.sqrt() - 1.0).abs() < 1e-14);
        assert!((gamma(-0.5) / (-2.0 * std::f64::consts::PI.sqrt()) - 1.0).abs() < 1e-13);
    }

    #[test]
    fn omega_solves_its_equation() {
        for z in [-600.0, -30.0, -2.1, -1.9, -0.3, 0.0, 0.7, 1.0, 1.9, 2.1, 9.0, 300.0, 1e6] {
            let w = wright_omega(z);
            let scale = f64::max(1.0, z.abs());
            assert!((w + w.ln() - z).abs() < 4e-15 * scale, "{z}: {w}");
        }
        assert!((wright_omega(1.0) - 1.0).abs() < 1e-15);
    }

    #[test]
    fn bessel_stays_finite_for_strong_drive() {
        // Leading asymptotic term with its first corrections, DLMF 10.40.1.
        let x = 2000.0;
        let series = (1.0 + 1.0 / (8.0 * x) + 9.0 / (128.0 * x * x)) / (std::f64::consts::TAU * x).sqrt();
        assert!((bessel_i_scaled(0, x) / series - 1.0).abs() < 1e-10);
    }
}
