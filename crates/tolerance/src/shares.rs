//! Shares of the variance of a number by variable and by level.
//!
//! First-order share: what fixing a variable would take away; total share: what is left when only it
//! moves together with all its interactions.
//! Estimators: A. Saltelli et al., Comput. Phys. Commun. 181 (2010) 259 for the first-order share,
//! M. J. W. Jansen, Comput. Phys. Commun. 117 (1999) 35 for the total one (both from memory).

use crate::{Level, ProcessError, Sampler, Scheme, SpreadSettings, Variable};
use numerics::parallel;

/// Share of one variable or level.
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// Its name.
    pub name: String,
    /// First-order share of the variance.
    pub first: f64,
    /// Total share, interactions included.
    pub total: f64,
    /// Change of the number when the variable alone moves by one total standard deviation, the larger of both signs.
    pub change: f64,
}

/// Shares by variable, largest total first, and by level.
pub(crate) fn shares(
    sampler: &Sampler,
    variables: &[Variable],
    settings: &SpreadSettings,
    value: &(dyn Fn(&[f64]) -> f64 + Sync),
) -> Result<(Vec<Share>, Vec<Share>), ProcessError> {
    let d = sampler.n_coordinates();
    if settings.share_points == 0 || d == 0 {
        return Ok((Vec::new(), Vec::new()));
    }
    // one low-discrepancy set of twice the coordinates gives both independent sets
    let n = settings.share_points.next_power_of_two();
    let both = crate::draw::cube(2 * d, Scheme::Sobol, n, settings.seed ^ 0x51a2);
    let at = |point: &[f64]| value(&sampler.draw(point).total());
    let base = parallel::map(&both, |p| Ok::<_, ProcessError>((at(&p[..d]), at(&p[d..]))))?;
    let all: Vec<f64> = base.iter().flat_map(|b| [b.0, b.1]).filter(|x| x.is_finite()).collect();
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    let variance = all.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / all.len() as f64;
    let nominal = value(&vec![0.0; variables.len()]);
    let coordinates = sampler.coordinates();
    let share = |name: String, group: &dyn Fn(usize, Level) -> bool, change: f64| -> Result<Share, ProcessError> {
        let inside: Vec<bool> = coordinates.iter().map(|&(k, l)| group(k, l)).collect();
        let mixed = parallel::map(&both, |p| {
            let point: Vec<f64> = (0..d).map(|c| if inside[c] { p[d + c] } else { p[c] }).collect();
            Ok::<_, ProcessError>(at(&point))
        });
        let (mut first, mut total) = (0.0, 0.0);
        for (b, m) in base.iter().zip(mixed?) {
            // without the mean, which would drown a small variance in its own sampling error
            first += (b.1 - mean) * (m - b.0);
            total += 0.5 * (b.0 - m).powi(2);
        }
        let scale = if variance > 0.0 { 1.0 / (variance * n as f64) } else { 0.0 };
        Ok(Share { name, first: first * scale, total: total * scale, change })
    };
    let mut by_variable = Vec::new();
    for (k, v) in variables.iter().enumerate().filter(|(_, v)| v.total_sd() > 0.0) {
        let change = [1.0, -1.0]
            .map(|sign| {
                let mut x = vec![0.0; variables.len()];
                x[k] = sign * v.total_sd();
                value(&x) - nominal
            })
            .into_iter()
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(0.0);
        by_variable.push(share(v.name.clone(), &|c, _| c == k, change)?);
    }
    by_variable.sort_by(|a, b| b.total.total_cmp(&a.total));
    let mut by_level = Vec::new();
    for level in Level::ALL.into_iter().filter(|l| coordinates.iter().any(|c| c.1 == *l)) {
        by_level.push(share(level.label().into(), &|_, l| l == level, f64::NAN)?);
    }
    Ok((by_variable, by_level))
}
