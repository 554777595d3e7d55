//! Shot noise of the junction.

mod support;

use mixwright_diode::{Breakdown, Device, SchottkyParameters};
use proof::Origin;
use support::close;

const Q: f64 = 1.602176634e-19;

#[test]
fn equilibrium_is_thermal_times_ideality() {
    let how = Origin::Derived { how: "S = 2q(I + 2Is); at V = 0 it is 4q·Is = 4kT·g0·n, van der Ziel [memory]" };
    for (n, four_kt_g) in [(1.0, 6.408706536e-28), (1.1, 5.82609685091e-28)] {
        let p = SchottkyParameters { is_a: 1e-9, n, ..Default::default() };
        let junction = p.at_temperature(300.0).expect("valid");
        let shot = junction.shot_noise_a2_per_hz(0.0);
        close("shot noise at 0 V / (A²/Hz)", shot, 6.408706536e-28, 1e-12, "exact q", how);
        let thermal = 4.0 * 1.380649e-23 * 300.0 * junction.at(0.0).conductance_s;
        close("4kT·g0 / (A²/Hz)", thermal, four_kt_g, 1e-11, "printed to twelve digits", how);
        close("ratio is n", shot / thermal, n, 1e-12, "rounding", how);
    }
}

#[test]
fn forward_reverse_and_breakdown() {
    let breakdown = Some(Breakdown { bv_v: 5.0, ibv_a: 1e-5, nbv: 1.0 });
    let p = SchottkyParameters { is_a: 1e-12, breakdown, ..Default::default() };
    let junction = p.at_temperature(300.0).expect("valid");
    let how = Origin::Derived { how: "2q of each stream: Is·exp(v/nVt), Is, |breakdown|" };
    let i = junction.at(0.6).current_a;
    close("forward", junction.shot_noise_a2_per_hz(0.6), 2.0 * Q * (i + 2e-12), 1e-12, "rounding", how);
    close("reverse", junction.shot_noise_a2_per_hz(-2.0), 2.0 * Q * 1e-12, 1e-12, "rounding", how);
    let i = junction.at(-5.0).current_a;
    close("breakdown current / A", i, -1e-5 - 1e-12, 1e-12, "IBV at BV, and IS", how);
    close("breakdown", junction.shot_noise_a2_per_hz(-5.0), 2.0 * Q * (1e-5 + 1e-12), 1e-12, "no avalanche gain", how);
}
