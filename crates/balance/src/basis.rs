//! Which mixing products are kept.

use numerics::fourier::good_length;

/// How the orders of the tones after the pump are cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Truncation {
    /// Every order up to its own limit.
    Box,
    /// The sum of the orders up to the largest limit.
    Order,
}

/// The kept products: pump harmonics `−K…K` in each lane.
#[derive(Debug, Clone, PartialEq)]
pub struct Basis {
    /// Tone frequencies, hertz; the pump first.
    pub tones_hz: Vec<f64>,
    /// Highest pump harmonic `K`.
    pub pump_order: usize,
    /// Orders in the other tones, lane by lane; lane 0 is all zeros.
    pub lanes: Vec<Vec<i32>>,
    /// Samples along each axis; the pump last.
    pub grid: Vec<usize>,
}

impl Basis {
    /// Products of `tones_hz` up to pump harmonic `pump_order` and the given orders of the others.
    ///
    /// `oversample` multiplies the number of samples beyond the Nyquist minimum along each axis.
    pub fn new(tones_hz: &[f64], pump_order: usize, others: &[usize], truncation: Truncation, oversample: f64) -> Self {
        assert_eq!(tones_hz.len(), others.len() + 1, "one order for each tone after the pump");
        let samples = |order: usize| good_length(((2 * order + 1) as f64 * oversample).ceil() as usize);
        let mut grid: Vec<usize> = others.iter().map(|&m| samples(m)).collect();
        // an even pump axis of multiples of four suits quarter-wave symmetric waveforms
        grid.push(good_multiple_of_four(samples(pump_order)));
        Self { tones_hz: tones_hz.to_vec(), pump_order, lanes: lanes(others, truncation), grid }
    }

    /// Pump only.
    pub fn pump_only(pump_hz: f64, pump_order: usize, oversample: f64) -> Self {
        Self::new(&[pump_hz], pump_order, &[], Truncation::Box, oversample)
    }

    /// Products in a lane.
    pub fn n_harmonics(&self) -> usize {
        2 * self.pump_order + 1
    }

    /// Frequency of pump harmonic zero of a lane, hertz, signed.
    pub fn offset_hz(&self, lane: usize) -> f64 {
        self.lanes[lane].iter().zip(&self.tones_hz[1..]).map(|(&m, &f)| f64::from(m) * f).sum()
    }

    /// Signed frequency of pump harmonic `k` of a lane, hertz.
    pub fn frequency_hz(&self, lane: usize, k: i32) -> f64 {
        f64::from(k) * self.tones_hz[0] + self.offset_hz(lane)
    }

    /// Where a product is kept: lane, pump harmonic, and whether it stands there mirrored
    /// (conjugate, at minus its frequency).
    pub fn find(&self, pump: i32, others: &[i32]) -> Option<(usize, i32, bool)> {
        if pump.unsigned_abs() as usize > self.pump_order {
            return None;
        }
        if let Some(lane) = self.lanes.iter().position(|l| l == others) {
            return Some((lane, pump, false));
        }
        let mirrored: Vec<i32> = others.iter().map(|m| -m).collect();
        self.lanes.iter().position(|l| *l == mirrored).map(|lane| (lane, -pump, true))
    }
}

/// Half of all order sets (the other half is its mirror image), zero first, low orders first.
fn lanes(others: &[usize], truncation: Truncation) -> Vec<Vec<i32>> {
    let limit = others.iter().copied().max().unwrap_or(0) as i32;
    let mut all = vec![vec![]];
    for &m in others {
        let m = m as i32;
        all = all.iter().flat_map(|l| (-m..=m).map(move |x| [l.clone(), vec![x]].concat())).collect();
    }
    let order = |l: &[i32]| l.iter().map(|m| m.abs()).sum::<i32>();
    let mut kept: Vec<Vec<i32>> = all
        .into_iter()
        .filter(|l| l.iter().find(|&&m| m != 0).is_none_or(|&m| m > 0))
        .filter(|l| truncation == Truncation::Box || order(l) <= limit)
        .collect();
    kept.sort_by_key(|l| (order(l), l.iter().map(|m| -m).collect::<Vec<_>>()));
    kept
}

fn good_multiple_of_four(n: usize) -> usize {
    4 * good_length(n.div_ceil(4))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_are_half_of_all_products_and_are_found_from_both_sides() {
        let basis = Basis::new(&[10.0, 10.5, 10.6], 4, &[3, 3], Truncation::Order, 2.0);
        // half of the 25 points of the diamond |m1|+|m2| ≤ 3, and zero
        assert_eq!(basis.lanes.len(), 13);
        assert_eq!(basis.lanes[0], vec![0, 0]);
        assert_eq!(basis.find(-1, &[2, -1]).map(|(_, k, mirror)| (k, mirror)), Some((-1, false)));
        assert_eq!(basis.find(1, &[-2, 1]).map(|(_, k, mirror)| (k, mirror)), Some((-1, true)));
        assert_eq!(basis.find(0, &[3, 1]), None);
        let (lane, k, _) = basis.find(-1, &[2, -1]).expect("kept");
        assert!((basis.frequency_hz(lane, k) - 0.4).abs() < 1e-12);
    }
}
