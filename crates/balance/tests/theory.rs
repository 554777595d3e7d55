//! Closed forms and worked examples of mixer theory.

use diode::{Device, SchottkyParameters};
use mixwright_balance::{BalanceSettings, Drive, Embedding, Problem, PumpedState, solve};
use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64};
use proof::{CheckValue, Origin};
use std::sync::Arc;

/// A 50 ohm source in series with `rs_ohm` and one junction.
#[derive(Debug)]
struct SeriesLoop {
    rs_ohm: f64,
}

impl FrequencyResponse for SeriesLoop {
    fn n_ports(&self) -> usize {
        2
    }
    fn reference_ohm(&self) -> &[f64] {
        &[50.0, 50.0]
    }
    fn scattering(&self, _freq_hz: f64) -> Result<CMatrix, NetworkError> {
        // series resistance between two ports: S11 = r/(r+2R), S21 = 2R/(r+2R)
        let d = self.rs_ohm + 100.0;
        let (s11, s21) = (Complex64::from(self.rs_ohm / d), Complex64::from(100.0 / d));
        Ok(CMatrix::from_rows(&[vec![s11, s21], vec![s21, s11]]))
    }
}

fn dynamic_diode() -> (Problem, BalanceSettings) {
    let diode = SchottkyParameters {
        is_a: 5e-14,
        n: 1.1,
        cj0_f: 30e-15,
        vj_v: 0.75,
        m: 0.5,
        fc: 0.5,
        temp_nominal_k: 300.0,
        ..SchottkyParameters::default()
    };
    let device: Arc<dyn Device> = Arc::new(diode.at_temperature(300.0).expect("valid"));
    let power_w = 1e-3 * 10f64.powf(0.5);
    let problem = Problem {
        embedding: Arc::new(Embedding::new(Arc::new(SeriesLoop { rs_ohm: 6.0 }), 1).expect("two ports")),
        devices: vec![device],
        tones_hz: vec![40e9],
        drives: vec![Drive::tone(0, vec![1], power_w, 0.0)],
    };
    (problem, BalanceSettings { pump_order: 48, dense_order: 16, ..BalanceSettings::default() })
}

#[test]
fn pumped_junction_of_the_worked_example() {
    let (problem, settings) = dynamic_diode();
    let (state, report) = solve(&problem, &settings).expect("converges");
    println!("{report:?}");
    let how = "K1: spectral collocation with 512 points and stiff time integration, agreeing to 2e-11 V";
    let check = |what: &str, expected: f64, within: f64, found: f64| {
        let origin = Origin::Derived { how };
        CheckValue { what, expected, within, because: "stated tolerance of the example", origin }.check(found);
    };
    let dc = state.junction_current(0, &[0]).expect("kept").re;
    check("Idc, A", 0.000976229362217, 1e-6 * 0.000976, dc);
    let expected = [
        (-0.0546688442841, 0.0),
        (0.431217789432, -0.176847349477),
        (-0.0536694404632, 0.0277098460674),
        (0.00721870618631, 0.0196925394382),
        (0.00565456024667, 0.000426897238518),
    ];
    for (k, (re, im)) in expected.into_iter().enumerate() {
        let v = state.junction_voltage(0, &[k as i32]).expect("kept") * if k == 0 { 1.0 } else { 0.5 };
        check(&format!("v{k} re, V"), re, 2e-8, v.re);
        check(&format!("v{k} im, V"), im, 2e-8, v.im);
    }
}

#[test]
fn output_resistance_of_the_equilibrium_example() {
    // K4: same diode without capacitance; Zout at 1 GHz
    let (mut problem, settings) = dynamic_diode();
    let diode = SchottkyParameters { is_a: 5e-14, n: 1.1, cj0_f: 0.0, ..SchottkyParameters::default() };
    problem.devices = vec![Arc::new(diode.at_temperature(300.0).expect("valid"))];
    for k in [12, 24, 48, 96, 192] {
        let settings = BalanceSettings { pump_order: k, dense_order: k.min(48), ..settings };
        let (state, _) = solve(&problem, &settings).expect("converges");
        let conversion = PumpedState::new(&problem, &state, 48).expect("pump only").conversion(1e9).expect("lane");
        let gamma = conversion.scattered(&[(0, 0)]).expect("solves")[0].at(0, 0);
        println!("{k} gamma {gamma} z {}", 50.0 * (1.0 + gamma) / (1.0 - gamma));
    }
}
