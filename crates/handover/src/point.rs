//! One operating point of a mixer: the numbers a termination study and a challenge compare.
//!
//! Input: a mixer, LO and signal. Output: small-signal waves between the sidebands, or the numbers of a full balance.

use crate::HandoverError;
use balance::{BalanceSettings, Drive, Problem, PumpedState, SteadyState, solve_from};
use mixer::{Anchor, Mixer};
use numerics::{Complex64, Quiet};
use spec::{Measure, PortName, Product};

/// Sideband of the RF itself, in LO harmonics added to it.
pub const RF: i32 = 0;
/// Sideband of the IF.
pub const IF: i32 = -1;
/// Sideband of the image.
pub const IMAGE: i32 = -2;
/// Sideband of the sum.
pub const SUM: i32 = 1;

/// LO, frequency and available level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lo {
    /// Hertz.
    pub hz: f64,
    /// dBm.
    pub dbm: f64,
}

/// A pumped mixer and the steady state it came from, to start neighbours from.
pub struct Pumped {
    /// Ready for small signals.
    pub state: PumpedState,
    /// The steady state.
    pub steady: SteadyState,
}

/// A wave of peak amplitude √W for an available power in dBm.
pub fn wave_of_dbm(dbm: f64) -> Complex64 {
    Complex64::from((2e-3 * 10f64.powf(dbm / 10.0)).sqrt())
}

fn settings(lo_order: usize, signal_order: usize) -> BalanceSettings {
    BalanceSettings { pump_order: lo_order, signal_order, ..BalanceSettings::default() }
}

/// The LO alone, with harmonics of its source: order and wave (√W).
///
/// # Errors
/// A steady state that cannot be found.
pub fn pump(
    mixer: &Mixer,
    lo: Lo,
    harmonics: &[(u32, Complex64)],
    lo_order: usize,
    start: Option<&SteadyState>,
) -> Result<Pumped, HandoverError> {
    let settings = settings(lo_order, 0);
    let mut drives = vec![Drive { port: mixer.ports.lo, orders: vec![1], wave: wave_of_dbm(lo.dbm) }];
    drives.extend(harmonics.iter().map(|&(n, wave)| Drive { port: mixer.ports.lo, orders: vec![n as i32], wave }));
    let problem =
        Problem { embedding: mixer.embedding.clone(), devices: mixer.devices.clone(), tones_hz: vec![lo.hz], drives };
    let (steady, _) = solve_from(&problem, &settings, start, &Quiet)?;
    let state = PumpedState::new(&problem, &steady, settings.dense_order)?;
    Ok(Pumped { state, steady })
}

/// LO and one signal at full level; `signal` is the RF frequency of the wanted sideband and the level at `input`.
///
/// # Errors
/// A steady state that cannot be found.
pub fn two_tone(
    mixer: &Mixer,
    lo: Lo,
    harmonics: &[(u32, Complex64)],
    signal: (f64, f64),
    input: PortName,
    orders: (usize, usize),
    start: Option<&SteadyState>,
) -> Result<Anchor, HandoverError> {
    let signal_hz = if input == PortName::If { (signal.0 - lo.hz).abs() } else { signal.0 };
    let mut drives = vec![
        Drive { port: mixer.ports.lo, orders: vec![1, 0], wave: wave_of_dbm(lo.dbm) },
        Drive { port: mixer.ports.index(input), orders: vec![0, 1], wave: wave_of_dbm(signal.1) },
    ];
    drives.extend(harmonics.iter().map(|&(n, wave)| Drive { port: mixer.ports.lo, orders: vec![n as i32, 0], wave }));
    let problem = Problem {
        embedding: mixer.embedding.clone(),
        devices: mixer.devices.clone(),
        tones_hz: vec![lo.hz, signal_hz],
        drives,
    };
    let (state, _) = solve_from(&problem, &settings(orders.0, orders.1), start, &Quiet)?;
    Ok(Anchor { lo: (lo.hz, lo.dbm), rf: signal, input, state })
}

/// Products of the spur grid with signal up to `signal` and LO up to `lo` orders, the wanted one and LO lines left out.
pub fn grid_products(signal: u32, lo: u32, wanted: Product) -> Vec<Product> {
    let mut out = Vec::new();
    for m in 1..=signal as i32 {
        for n in 0..=lo as i32 {
            out.push(Product::new(n, -m));
            if n > 0 {
                out.push(Product::new(n, m));
            }
        }
    }
    out.retain(|p| *p != wanted && *p != wanted.mirrored());
    out
}

/// Measures compared between a model and its design at one operating point.
pub(crate) fn compared(input: PortName, orders: (u32, u32), wanted: Product) -> Vec<Measure> {
    let isolation = |from, to| Measure::Isolation { from, to };
    let mut out = vec![
        Measure::ReturnLoss(input),
        Measure::ReturnLoss(PortName::Lo),
        isolation(PortName::Lo, PortName::Rf),
        isolation(PortName::Lo, PortName::If),
        Measure::DcOffset,
    ];
    out.push(if input == PortName::If { Measure::ConversionLossUp } else { Measure::ConversionLoss });
    out.extend(
        grid_products(orders.1, orders.0, wanted)
            .into_iter()
            .map(|p| if input == PortName::If { Measure::SpurUp(p) } else { Measure::Spur(p) }),
    );
    out
}
