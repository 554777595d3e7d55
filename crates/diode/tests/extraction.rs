//! Extraction from the noisy tables, against estimates computed independently from the same tables.

mod support;

use mixwright_diode::extract::{
    CapacitanceSettings, CurrentLaw, Held, NordeMinimum, Uncertainty, cheung_barrier, cheung_slope, fit_capacitance,
    fit_current, log_line, norde_minimum, norde_resistance_ohm, norde_two_gammas, richardson, voltage_forced_sigma_v,
};
use proof::{CheckValue, Origin};
use quantity::Severity;
use quantity::constants::thermal_voltage_v;
use support::{Gaussian, close, columns, mean_sd};

const TEMP_K: f64 = 296.15;
const NOISE_V: f64 = 0.2e-3;
/// 20 µm² at 8.2 A cm⁻² K⁻², A/K².
const AREA_RICHARDSON: f64 = 20e-12 * 8.2e4;
const FIT: Origin = Origin::Derived { how: "weighted least squares with dense linear algebra on the same table" };
const PRINTED: &str = "the reference is good to 1e-6";

fn measured() -> (Vec<f64>, Vec<f64>) {
    columns(include_str!("data/iv_synthetic.csv"))
}

/// Voltages of the diode behind the table: IS = 0.2 pA, n = 1.15, RS = 6 ohm.
fn truth(i: &[f64]) -> Vec<f64> {
    let scale = 1.15 * thermal_voltage_v(TEMP_K);
    i.iter().map(|i| scale * (i / 2e-13).ln() + 6.0 * i).collect()
}

#[test]
fn weighted_fit_of_the_current_table() {
    let (i, v) = measured();
    let found = fit_current(&i, &v, Uncertainty::Uniform(NOISE_V), TEMP_K, CurrentLaw::Logarithmic).expect("fits");
    assert!(found.findings.is_empty(), "{:?}", found.findings);
    let f = found.value;
    close("n", f.n, 1.1503603304291106, 1e-6, PRINTED, FIT);
    close("IS / A", f.is_a, 2.0140886861343126e-13, 1e-6, PRINTED, FIT);
    close("RS / ohm", f.rs_ohm, 6.023229761340185, 1e-6, PRINTED, FIT);
    let errors = [0.00047388295463132274, 0.0074514820859555835, 0.019157345027648376];
    for (k, e) in errors.into_iter().enumerate() {
        close(f.fit.names[k], f.fit.standard_error(k), e, 1e-6, PRINTED, FIT);
    }
    let correlations = [(0, 1, 0.9876326107407484), (0, 2, -0.6518009753463065), (1, 2, -0.5946210088997733)];
    for (a, b, r) in correlations {
        close("correlation", f.fit.correlation(a, b), r, 1e-6, PRINTED, FIT);
    }
    let intervals = [
        (f.n_interval(0.95), (1.1494315369051458, 1.1512891239530754)),
        (f.is_interval_a(0.95), (1.9848874090132545e-13, 2.0437195667591404e-13)),
        (f.rs_interval_ohm(0.95), (5.985682055046587, 6.060777467633784)),
    ];
    for (found, expected) in intervals {
        close("lower end", found.0, expected.0, 1e-6, PRINTED, FIT);
        close("upper end", found.1, expected.1, 1e-6, PRINTED, FIT);
    }
    close("chi-squared", f.fit.chi_squared, 34.87373178709977, 1e-6, PRINTED, FIT);
    assert_eq!(f.fit.degrees_of_freedom, 38);
    let (low, high) = f.fit.chi_squared_interval(0.95).expect("noise is known");
    close("chi-squared, lower", low, 22.87848232873346, 1e-6, PRINTED, FIT);
    close("chi-squared, upper", high, 56.895520535055965, 1e-6, PRINTED, FIT);
    let sum: f64 = f.fit.residuals.iter().map(|r| (r / NOISE_V).powi(2)).sum();
    close("residuals", sum, f.fit.chi_squared, 1e-12, "definition", FIT);
}

#[test]
fn the_complete_law_agrees_far_above_the_saturation_current() {
    let (i, v) = measured();
    let fit = |law| fit_current(&i, &v, Uncertainty::Uniform(NOISE_V), TEMP_K, law).expect("fits").value;
    let (a, b) = (fit(CurrentLaw::Logarithmic), fit(CurrentLaw::Complete));
    // The lowest current is 5e5 IS: the laws differ by n·Vt/5e5 = 60 nV there, 3e-4 of the noise.
    for k in 0..3 {
        let shift = (a.fit.values[k] - b.fit.values[k]).abs() / a.fit.standard_error(k);
        assert!(shift < 1e-3 && shift > 0.0, "parameter {k} moves by {shift} standard errors");
    }
    // A zero-bias diode is measured around its saturation current: only the complete law is right.
    let scale = 1.1 * thermal_voltage_v(TEMP_K);
    let i: Vec<f64> = (0..30).map(|k| 1e-7 * 10f64.powf(k as f64 / 6.0)).collect();
    let v: Vec<f64> = i.iter().map(|i| scale * (i / 3e-6).ln_1p() + 12.0 * i).collect();
    let found = fit_current(&i, &v, Uncertainty::Uniform(1e-5), TEMP_K, CurrentLaw::Complete).expect("fits").value;
    let how = Origin::Derived { how: "the parameters that made the table" };
    close("n", found.n, 1.1, 1e-8, "table without noise", how);
    close("IS / A", found.is_a, 3e-6, 1e-8, "table without noise", how);
    close("RS / ohm", found.rs_ohm, 12.0, 1e-8, "table without noise", how);
    let wrong = fit_current(&i, &v, Uncertainty::Uniform(1e-5), TEMP_K, CurrentLaw::Logarithmic).expect("fits");
    assert!(wrong.findings.iter().any(|f| f.severity == Severity::Warning && f.text.contains("chi-squared")));
}

#[test]
fn coverage_of_the_intervals() {
    // 4000 tables with fresh noise: the 95 % intervals hold the truth in 95 % of them.
    let (i, _) = measured();
    let v0 = truth(&i);
    let mut random = Gaussian(11);
    let expected = [1.15, 2e-13f64.ln(), 6.0];
    let mut hits = [0usize; 3];
    let (mut chi, runs) = (0.0, 1000);
    for _ in 0..runs {
        let v: Vec<f64> = v0.iter().map(|v| v + NOISE_V * random.draw()).collect();
        let f =
            fit_current(&i, &v, Uncertainty::Uniform(NOISE_V), TEMP_K, CurrentLaw::Logarithmic).expect("fits").value;
        for k in 0..3 {
            let (low, high) = f.fit.interval(k, 0.95);
            hits[k] += usize::from(low <= expected[k] && expected[k] <= high);
        }
        chi += f.fit.chi_squared / f64::from(runs);
    }
    for hits in hits {
        let because = "three standard errors of 1000 draws";
        CheckValue { what: "coverage", expected: 0.95, within: 0.021, because, origin: FIT }
            .check(hits as f64 / f64::from(runs));
    }
    let because = "four standard errors sqrt(2·38/1000)";
    CheckValue { what: "mean chi-squared", expected: 38.0, within: 1.1, because, origin: FIT }.check(chi);
}

#[test]
fn unknown_noise_is_estimated_and_uses_student() {
    let (i, v) = measured();
    let fit = |u| fit_current(&i, &v, u, TEMP_K, CurrentLaw::Logarithmic).expect("fits").value;
    let (known, unknown) = (fit(Uncertainty::Uniform(NOISE_V)), fit(Uncertainty::Unknown));
    close("n", unknown.n, known.n, 1e-9, "weights are equal", FIT);
    let scale = (34.87373178709977f64 / 38.0).sqrt();
    close("standard error", unknown.fit.standard_error(2), known.fit.standard_error(2) * scale, 1e-6, PRINTED, FIT);
    let (low, high) = unknown.rs_interval_ohm(0.95);
    let student = Origin::Published {
        source: "NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2: t(0.975, 38) = 2.024",
    };
    let factor = (high - low) / 2.0 / unknown.fit.standard_error(2);
    CheckValue {
        what: "t(0.975, 38)",
        expected: 2.024,
        within: 5e-4,
        because: "printed to three decimals",
        origin: student,
    }
    .check(factor);
    assert!(unknown.fit.chi_squared_interval(0.95).is_none());
    let each = vec![NOISE_V; i.len()];
    assert_eq!(fit(Uncertainty::Each(&each)).fit.values, known.fit.values);
}

#[test]
fn an_early_end_of_the_sweep_leaves_rs_undetermined() {
    let (i, measured_v) = measured();
    let uncertainty = Uncertainty::Uniform(NOISE_V);
    let whole = fit_current(&i, &measured_v, uncertainty, TEMP_K, CurrentLaw::Logarithmic).expect("fits").value;
    // A table without noise at the estimates of the whole: the reference linearises there.
    let scale = whole.n * thermal_voltage_v(TEMP_K);
    let v: Vec<f64> = i.iter().map(|i| scale * (i / whole.is_a).ln() + whole.rs_ohm * i).collect();
    let table = [
        (25, [0.0012043984191885317, 0.016372238940195596, 2.4859167009783185]),
        (33, [0.0007052092739893185, 0.010332734283401125, 0.211159285236901]),
        (37, [0.0005707203825558951, 0.008667303954406416, 0.06325110401785045]),
        (41, [0.0004738829546313227, 0.0074514820859555835, 0.019157345027648376]),
    ];
    for (n, errors) in table {
        let found = fit_current(&i[..n], &v[..n], uncertainty, TEMP_K, CurrentLaw::Logarithmic).expect("fits");
        for (k, e) in errors.into_iter().enumerate() {
            close("standard error", found.value.fit.standard_error(k), e, 1e-6, PRINTED, FIT);
        }
        let undetermined = found.findings.iter().any(|f| f.text.contains("not determined"));
        assert_eq!(undetermined, n == 25, "{:?}", found.findings);
    }
}

#[test]
fn a_warmer_junction_reads_as_more_ideality() {
    let (i, v) = measured();
    let n = |t| fit_current(&i, &v, Uncertainty::Unknown, t, CurrentLaw::Logarithmic).expect("fits").value.n;
    let how = Origin::Derived { how: "1.15·301.15/296.15" };
    close("n read", 1.15 * n(296.15) / n(301.15), 1.169415836569306, 1e-9, "n is a slope over Vt", how);
}

#[test]
fn straight_lines_ignore_the_series_resistance() {
    let (i, v) = measured();
    let table = [
        (1e-7, 1.150997516656835, 2.0290737758192063e-13),
        (1e-6, 1.1524671429421411, 2.072258036555755e-13),
        (1e-5, 1.1946048818317305, 4.037171785838736e-13),
    ];
    for (low, n, is) in table {
        // A hair wider, since the table prints its round currents with rounding.
        let found = log_line(&i, &v, (low * 0.999, low * 100.1), TEMP_K).expect("fits");
        close("n", found.n, n, 1e-6, PRINTED, FIT);
        close("IS / A", found.is_a, is, 1e-6, PRINTED, FIT);
    }
}

#[test]
fn graphical_methods_on_the_table() {
    let (i, v) = measured();
    let first = cheung_slope(&i, &v, 0.3e-3, TEMP_K).expect("fits");
    close("Cheung RS / ohm", first.rs_ohm, 6.108499047602315, 1e-6, PRINTED, FIT);
    close("Cheung n", first.n, 1.1508608463358772, 1e-6, PRINTED, FIT);
    assert_eq!(first.n_points, 12);
    let second = cheung_barrier(&i, &v, 0.3e-3, TEMP_K, first.n, AREA_RICHARDSON).expect("fits");
    close("Cheung H, RS / ohm", second.rs_ohm, 5.997867135436393, 1e-6, PRINTED, FIT);
    close("Cheung barrier / eV", second.barrier_ev, 0.6963886208982524, 1e-6, PRINTED, FIT);
    // For gamma 3 the minimum is the last but one point: the reference then has four points left and
    // 7.78 mA; five points give 7.87 mA, where the exact minimum of the true diode lies.
    let table = [
        (1.5, 0.0015643897957236996, 8.156609217729228, 5.709626452410462),
        (2.0, 0.003391247033065891, 7.525323931583693, 6.396525341846139),
    ];
    for (gamma, i0, rs_if_ideal, rs) in table {
        let minimum = norde_minimum(&i, &v, gamma, TEMP_K).expect("inside");
        close("Norde current / A", minimum.current_a, i0, 1e-6, PRINTED, FIT);
        close("Norde RS, n = 1 / ohm", norde_resistance_ohm(minimum, 1.0, TEMP_K), rs_if_ideal, 1e-6, PRINTED, FIT);
        close("Norde RS, true n / ohm", norde_resistance_ohm(minimum, 1.15, TEMP_K), rs, 1e-6, PRINTED, FIT);
    }
    let how = Origin::Derived { how: "(γ − n)·Vt/RS of the true diode" };
    let found = norde_minimum(&i, &v, 3.0, TEMP_K).expect("inside");
    close("Norde current, gamma 3 / A", found.current_a, 0.007868738340551575, 0.03, "noise and parabola", how);
    // The formulas on the reference's own minima.
    let (first, second) = (
        NordeMinimum { gamma: 1.5, current_a: 0.0015643897957236996 },
        NordeMinimum { gamma: 3.0, current_a: 0.007776216898705072 },
    );
    close("RS, n = 1 / ohm", norde_resistance_ohm(second, 1.0, TEMP_K), 6.563662713701487, 1e-9, PRINTED, FIT);
    close("RS, true n / ohm", norde_resistance_ohm(second, 1.15, TEMP_K), 6.071388010173876, 1e-9, PRINTED, FIT);
    let (n, rs) = norde_two_gammas(first, second, TEMP_K);
    close("two gammas, RS / ohm", rs, 6.162494230625274, 1e-9, PRINTED, FIT);
    close("two gammas, n", n, 1.1222392132486587, 1e-9, PRINTED, FIT);
}

/// Cheung RS, n, RS of H, barrier; two gammas RS, n.
fn graphical(i: &[f64], v: &[f64]) -> [f64; 6] {
    let first = cheung_slope(i, v, 0.3e-3, TEMP_K).expect("fits");
    let second = cheung_barrier(i, v, 0.3e-3, TEMP_K, first.n, AREA_RICHARDSON).expect("fits");
    let minimum = |gamma| norde_minimum(i, v, gamma, TEMP_K).expect("inside");
    let (n, rs) = norde_two_gammas(minimum(1.5), minimum(3.0), TEMP_K);
    [first.rs_ohm, first.n, second.rs_ohm, second.barrier_ev, rs, n]
}

#[test]
fn bias_and_scatter_of_the_graphical_methods() {
    let (i, _) = measured();
    let v0 = truth(&i);
    let noise_free = [
        6.083185978539187,
        1.1499999995910126,
        6.00000000256279,
        0.6967374844894075,
        5.904283336281352,
        1.1702334101330225,
    ];
    for (found, expected) in graphical(&i, &v0).into_iter().zip(noise_free) {
        close("without noise", found, expected, 1e-6, PRINTED, FIT);
    }
    let mut random = Gaussian(6);
    let noisy = |random: &mut Gaussian| v0.iter().map(|v| v + NOISE_V * random.draw()).collect::<Vec<f64>>();
    let draws: Vec<[f64; 6]> = (0..2000).map(|_| graphical(&i, &noisy(&mut random))).collect();
    let mean = [
        6.082101170948844,
        1.1500768182215177,
        5.99814483616467,
        0.6967141497679836,
        5.911042657573853,
        1.1675732591371475,
    ];
    let sd = [
        0.05045264483402565,
        0.004773975027835479,
        0.05143350061867118,
        0.0023073489929534745,
        0.11364059838489576,
        0.014201940203205093,
    ];
    let how = Origin::Derived { how: "simulation with another generator, 2000 draws" };
    for k in 0..6 {
        let found = mean_sd(&draws.iter().map(|d| d[k]).collect::<Vec<f64>>());
        let within = 5.0 * sd[k] / 2000f64.sqrt();
        CheckValue { what: "mean", expected: mean[k], within, because: "two sets of 2000 draws", origin: how }
            .check(found.0);
        close("scatter", found.1, sd[k], 0.08, "two sets of 2000 draws: 2.2 % standard error", how);
    }
}

#[test]
fn capacitance_table() {
    let (v, c) = columns(include_str!("data/cv_synthetic.csv"));
    let fit = |m, parallel_f| {
        fit_capacitance(&v, &c, Uncertainty::Uniform(0.1e-15), &CapacitanceSettings { m, parallel_f }).expect("fits")
    };
    let because = "the reference is good to 1e-4";
    let free = fit(Held::Free, Held::Free);
    let f = &free.value;
    let expected = [39.41131256770839e-15, 0.8032133194563288, 0.5103654503528376, 15.520958252550923e-15];
    for (found, expected) in [f.cj0_f, f.vj_v, f.m, f.parallel_f].into_iter().zip(expected) {
        close("CJ0, VJ, M, Cp", found, expected, 1e-4, because, FIT);
    }
    let errors = [0.7772404121100173e-15, 0.017356094367511912, 0.022136723409727506, 0.8081622856861463e-15];
    for (k, e) in errors.into_iter().enumerate() {
        close(f.fit.names[k], f.fit.standard_error(k), e, 1e-4, because, FIT);
    }
    for (a, b, r) in [(2, 3, 0.9925110827090828), (0, 3, -0.9983932849295333), (1, 2, 0.976391907570871)] {
        close("correlation", f.fit.correlation(a, b), r, 1e-4, because, FIT);
    }
    close("chi-squared", f.fit.chi_squared, 31.8123060671799, 1e-4, because, FIT);
    assert_eq!(f.fit.degrees_of_freedom, 24);
    assert!(free.findings.iter().any(|f| f.text.contains("CJ0 / F and Cp / F")), "{:?}", free.findings);

    let f = fit(Held::At(0.5), Held::Free).value;
    let expected = [39.778300871560745e-15, 0.7953008313486741, 15.137088700986883e-15];
    for (found, expected) in [f.cj0_f, f.vj_v, f.parallel_f].into_iter().zip(expected) {
        close("CJ0, VJ, Cp with M held", found, expected, 1e-4, because, FIT);
    }
    let errors = [0.131620987917897e-15, 0.003700787099659457, 0.10007174473650549e-15];
    for (k, e) in errors.into_iter().enumerate() {
        close(f.fit.names[k], f.fit.standard_error(k), e, 1e-4, because, FIT);
    }
    close("chi-squared", f.fit.chi_squared, 32.035350094214394, 1e-4, because, FIT);
    assert_eq!(f.m, 0.5);

    let wrong = fit(Held::Free, Held::At(0.0));
    let f = &wrong.value;
    let expected = [54.537981005158166e-15, 0.6422687217281763, 0.2824294832983331];
    for (found, expected) in [f.cj0_f, f.vj_v, f.m].into_iter().zip(expected) {
        close("CJ0, VJ, M without Cp", found, expected, 1e-4, because, FIT);
    }
    close("chi-squared", f.fit.chi_squared, 184.34081276343454, 1e-4, because, FIT);
    assert!(wrong.findings.iter().any(|f| f.severity == Severity::Warning), "{:?}", wrong.findings);
}

#[test]
fn barrier_from_five_temperatures() {
    let is = [
        3.1344597084710895e-16,
        7.915049280358909e-15,
        1.184728163506582e-13,
        1.1845775925139074e-12,
        8.618590398398519e-12,
    ];
    let found = richardson(&[250.0, 275.0, 300.0, 325.0, 350.0], &is).expect("fits");
    let how = Origin::Derived { how: "the barrier and constant that made the currents" };
    close("barrier / eV", found.barrier_ev, 0.72, 1e-9, "currents printed to 16 digits", how);
    close("A·A* / (A/K²)", found.area_richardson_a_per_k2, 1.64e-6, 1e-9, "currents printed to 16 digits", how);
}

#[test]
fn voltage_forced_sweeps_have_other_weights() {
    // 1 % of current noise: constant n·Vt·1 % at low current, growing with I·RS.
    let scale = 1.15 * thermal_voltage_v(TEMP_K);
    let how = Origin::Derived { how: "(n·Vt + I·RS)·δI/I" };
    for i in [1e-7, 1e-3, 1e-2] {
        let expected = (scale + 6.0 * i) * 0.01;
        close(
            "equivalent noise / V",
            voltage_forced_sigma_v(i, 0.01 * i, scale, 6.0),
            expected,
            1e-13,
            "rounding",
            how,
        );
    }
}
