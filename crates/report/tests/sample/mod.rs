//! An invented review, complete enough to show every kind of picture.
//!
//! The numbers describe an invented ring mixer (LO 28 GHz, RF 20 to 26 GHz); curves between the
//! tabled points are straight lines, waveforms are those of an exponential junction under a cosine.
#![allow(dead_code, missing_docs, unreachable_pub)]

pub mod stress;

use num_complex::Complex64;
use quantity::Finding;
use spec::*;

pub const RF_GHZ: [f64; 7] = [20.0, 21.0, 22.0, 23.0, 24.0, 25.0, 26.0];
const LOSS: [f64; 7] = [7.36, 7.28, 6.80, 6.35, 6.47, 6.24, 6.22];
const LOSS_UPPER: [f64; 7] = [6.9, 6.7, 6.55, 6.6, 6.95, 7.35, 8.15];
const L_R: [f64; 7] = [45.9, 46.0, 46.0, 46.1, 46.1, 46.0, 46.0];
const R_I: [f64; 7] = [20.0, 20.2, 22.8, 27.8, 19.3, 20.9, 25.6];
const RL_RF: [f64; 7] = [8.0, 10.9, 12.6, 13.8, 13.5, 11.1, 8.2];
const DC: [f64; 7] = [2.09, 2.07, 2.05, 2.06, 2.04, 2.07, 2.08];
const S22: [f64; 7] = [-73.2, -72.5, -72.6, -65.2, -62.8, -64.8, -64.7];
const S33: [f64; 7] = [-97.6, -84.5, -82.7, -74.3, -72.9, -74.2, -75.4];
const GRID: [[f64; 6]; 5] = [
    [f64::NAN, -22.8, -35.8, -42.0, -63.2, -50.6],
    [-32.8, 0.0, -49.7, -35.9, -57.3, -70.2],
    [-82.9, -79.5, -66.0, -103.9, -98.9, -89.0],
    [-85.6, -97.2, -93.5, -75.3, -100.2, -90.9],
    [-130.8, -132.5, -130.3, -101.1, -113.0, -109.6],
];

pub fn conditions(rf_ghz: f64) -> Conditions {
    Conditions {
        lo_hz: 28e9,
        rf_hz: Some(rf_ghz * 1e9),
        if_hz: Some((28.0 - rf_ghz) * 1e9),
        sideband: Some(Sideband::Lower),
        lo_dbm: 15.0,
        signal_dbm: Some(-10.0),
        temp_k: 298.15,
        terminations: "50 ohm on every port at every frequency".into(),
    }
}

pub fn quality(method: Method, band: Option<f64>) -> Quality {
    Quality {
        outcome: Outcome::Converged,
        method,
        numeric_band: band,
        orders: (48, if method == Method::SmallSignal { 1 } else { 5 }),
        residual: 3.2e-11,
        continued: None,
        cancellation: None,
        is_bound: false,
        bands: spec::Bands::default(),
    }
}

pub fn reading(measure: Measure, value: f64, rf_ghz: f64, band: Option<f64>) -> Reading {
    let quality = quality(Method::SmallSignal, band);
    Reading { measure, value, conditions: conditions(rf_ghz), quality }
}

pub fn cancellation() -> Cancellation {
    let term = |name: &str, size: f64, degrees: f64| Term {
        name: name.into(),
        value: Complex64::from_polar(size, degrees.to_radians()),
    };
    let terms = vec![
        term("diode 1", 0.412e-1, 12.0),
        term("diode 3", 0.405e-1, 193.1),
        term("diode 2", 0.391e-1, 101.5),
        term("diode 4", 0.382e-1, 279.0),
    ];
    let sum: Complex64 = terms.iter().map(|t| t.value).sum();
    let sizes: f64 = terms.iter().map(|t| t.value.norm()).sum();
    Cancellation { ratio_db: 20.0 * (sizes / sum.norm()).log10(), terms }
}

fn cancelled(measure: Measure, value: f64, rf_ghz: f64, band: f64) -> Reading {
    let mut r = reading(measure, value, rf_ghz, Some(band));
    r.quality.cancellation = Some(cancellation());
    r.quality.continued = Some(Continued { share: 0.083, spread: 0.41 });
    r
}

fn curve(name: &str, measure: Measure, values: &[f64; 7], band: Option<f64>) -> Curve {
    let points = RF_GHZ.iter().zip(values).map(|(&f, &v)| (f, reading(measure, v, f, band))).collect();
    Curve { name: name.into(), points }
}

fn isolation(from: PortName, to: PortName) -> Measure {
    Measure::Isolation { from, to }
}

fn axis(label: &str, unit: &str) -> Axis {
    Axis { label: label.into(), unit: unit.into() }
}

fn limit(measure: Option<Measure>, bound: Bound, why: &str) -> Limit {
    Limit { measure, bound, band_hz: Some((20e9, 26e9)), why: why.into() }
}

fn plot(title: &str, x: Axis, y: (&str, &str), curves: Vec<Curve>, limits: Vec<Limit>) -> Item {
    Item::Curves(CurvePlot { title: title.into(), x, y_label: y.0.into(), y_unit: y.1.into(), curves, limits })
}

fn section(key: &str, title: &str, text: &str, items: Vec<Item>) -> Section {
    Section { key: key.into(), title: title.into(), text: text.into(), items }
}

pub fn loss_limit() -> Limit {
    limit(Some(Measure::ConversionLoss), Bound::AtMost(8.0), "link budget")
}

fn fine_loss() -> Curve {
    let points = (0..=200).map(|i| {
        let f = 20.0 + 0.03 * f64::from(i);
        let k = ((f - 20.0).floor() as usize).min(5);
        let u = f - RF_GHZ[k];
        let ripple = 0.05 * (9.0 * f).sin();
        (f, reading(Measure::ConversionLoss, LOSS[k] * (1.0 - u) + LOSS[k + 1] * u + ripple, f, Some(0.1)))
    });
    Curve { name: "lower sideband".into(), points: points.collect() }
}

fn loss_section() -> Section {
    let upper = curve("upper sideband", Measure::ConversionLoss, &LOSS_UPPER, Some(0.12));
    let lower = curve("lower sideband", Measure::ConversionLoss, &LOSS, Some(0.1));
    let noise = LOSS.map(|l| l + 0.32);
    section(
        "loss_rf",
        "Conversion loss over RF, LO fixed",
        "RF swept from 20 to 26 GHz in the small-signal limit around the pumped state, LO fixed at 28 GHz.",
        vec![
            plot(
                "Conversion loss",
                axis("RF frequency", "GHz"),
                ("Conversion loss", "dB"),
                vec![lower, upper],
                vec![loss_limit()],
            ),
            plot(
                "Conversion loss, fine steps",
                axis("RF frequency", "GHz"),
                ("Conversion loss", "dB"),
                vec![fine_loss()],
                vec![loss_limit()],
            ),
            plot(
                "Noise figure",
                axis("RF frequency", "GHz"),
                ("Noise figure", "dB"),
                vec![
                    curve("SSB", Measure::NoiseFigureSsb, &noise, Some(0.05)),
                    curve("DSB", Measure::NoiseFigureDsb, &noise.map(|l| l - 3.1), Some(0.05)),
                ],
                vec![],
            ),
        ],
    )
}

fn isolation_section() -> Section {
    let (l_r, l_i, r_i) = (
        isolation(PortName::Lo, PortName::Rf),
        isolation(PortName::Lo, PortName::If),
        isolation(PortName::Rf, PortName::If),
    );
    let lr = Curve {
        name: "L-R".into(),
        points: RF_GHZ.iter().zip(L_R).map(|(&f, v)| (f, cancelled(l_r, v, f, 0.2))).collect(),
    };
    let curves = vec![
        lr,
        curve("L-I", l_i, &[53.9; 7], Some(0.01)),
        curve("R-I", r_i, &R_I, Some(0.3)),
        curve("R-L", isolation(PortName::Rf, PortName::Lo), &R_I.map(|v| v + 18.6), None),
    ];
    let limits = vec![
        limit(Some(l_r), Bound::AtLeast(38.0), "LO radiated through the antenna"),
        limit(Some(r_i), Bound::AtLeast(18.0), ""),
    ];
    let table = Table {
        title: "Isolation at the nominal point".into(),
        readings: vec![cancelled(l_r, 46.1, 23.0, 0.2), reading(l_i, 53.9, 23.0, Some(0.01)), {
            let mut r = reading(isolation(PortName::If, PortName::Rf), 61.0, 23.0, None);
            r.quality.is_bound = true;
            r
        }],
    };
    section(
        "isolation",
        "Isolation with the LO on",
        "Power of the same frequency, available at the first port over delivered at the second.",
        vec![plot("Isolation", axis("RF frequency", "GHz"), ("Isolation", "dB"), curves, limits), Item::Table(table)],
    )
}

fn match_section() -> Section {
    let locus = |name: &str, magnitude_db: &[f64; 7], turn: f64, shift_ghz: f64| Locus {
        name: name.into(),
        points: (0..=60)
            .map(|i| {
                let f = 20.0 + 0.1 * f64::from(i);
                let k = ((f - 20.0).floor() as usize).min(5);
                let u = f - RF_GHZ[k];
                let db = magnitude_db[k] * (1.0 - u) + magnitude_db[k + 1] * u;
                ((f - shift_ghz) * 1e9, Complex64::from_polar(10f64.powf(-db / 20.0), turn - 0.8 * (f - 20.0)))
            })
            .collect(),
    };
    let rl = curve("RF", Measure::ReturnLoss(PortName::Rf), &RL_RF, Some(0.15));
    let lo = curve("LO", Measure::ReturnLoss(PortName::Lo), &[8.8; 7], Some(0.02));
    let limits = vec![
        limit(Some(Measure::ReturnLoss(PortName::Rf)), Bound::AtLeast(6.0), ""),
        limit(Some(Measure::ReturnLoss(PortName::Lo)), Bound::AtLeast(7.0), ""),
    ];
    section(
        "match",
        "Pumped match",
        "Reflection of each port at its own frequency with the LO on.",
        vec![
            plot("Return loss", axis("RF frequency", "GHz"), ("Return loss", "dB"), vec![rl, lo], limits),
            Item::Smith(SmithPlot {
                title: "Pumped reflection".into(),
                reference_ohm: 50.0,
                loci: vec![
                    locus("RF port, 20 to 26 GHz", &RL_RF, 2.1, 0.0),
                    locus("IF port, 2 to 8 GHz", &[6.0, 7.0, 9.0, 12.0, 15.0, 13.0, 11.0], -0.4, 18.0),
                ],
            }),
        ],
    )
}

fn lo_section() -> Section {
    let levels = [9.0, 11.0, 13.0, 15.0, 17.0, 19.0];
    let sweep = |name: &str, measure, values: [f64; 6]| Curve {
        name: name.into(),
        points: levels
            .iter()
            .zip(values)
            .map(|(&l, v)| {
                let mut r = reading(measure, v, 23.0, Some(0.1));
                r.conditions.lo_dbm = l;
                (l, r)
            })
            .collect(),
    };
    let loss = [7.72, 7.16, 6.57, 6.45, 6.48, 6.35];
    let rl = [4.1, 6.2, 8.0, 8.8, 8.6, 7.7];
    let harmonics = |port, base: f64| Curve {
        name: format!("at {}", PortName::label(port)),
        points: (1..=6)
            .map(|n| {
                let mut r = reading(
                    Measure::LoHarmonic { port, n },
                    base - 6.5 * f64::from(n) - 4.0 * f64::from(n % 2),
                    23.0,
                    Some(0.5),
                );
                r.conditions.rf_hz = None;
                (f64::from(n), r)
            })
            .collect(),
    };
    section(
        "lo_power",
        "LO level",
        "LO power swept at RF 23 GHz; the recommended drive is where the loss no longer falls.",
        vec![
            plot(
                "Conversion loss over LO level",
                axis("LO level", "dBm"),
                ("Conversion loss", "dB"),
                vec![sweep("loss", Measure::ConversionLoss, loss)],
                vec![loss_limit()],
            ),
            plot(
                "LO return loss over LO level",
                axis("LO level", "dBm"),
                ("Return loss", "dB"),
                vec![sweep("LO", Measure::ReturnLoss(PortName::Lo), rl)],
                vec![],
            ),
            plot(
                "LO harmonics",
                axis("Harmonic", ""),
                ("Level", "dBm"),
                vec![harmonics(PortName::Rf, -24.0), harmonics(PortName::If, -32.0), harmonics(PortName::Lo, 2.0)],
                vec![],
            ),
        ],
    )
}

pub fn spur_grid() -> SpurGrid {
    let mut entries = Vec::new();
    for (m, row) in GRID.iter().enumerate() {
        for (n, &level) in row.iter().enumerate() {
            for sum in [false, true] {
                if !level.is_finite() || (sum && (m == 0 || n == 0)) {
                    continue;
                }
                let wanted = m == 1 && n == 1;
                let value = if sum && wanted {
                    -3.4
                } else if sum {
                    level - 4.7
                } else {
                    level
                };
                let sign = if sum { 1 } else { -1 };
                let product = Product::new(n as i32, sign * m as i32);
                let mut reading = reading(Measure::Spur(product), value, 23.5, None);
                reading.quality =
                    quality(Method::Perturbation, (!wanted).then_some(0.02 + 0.4 * m as f64 * (n % 3) as f64));
                if m % 2 == 0 && n % 2 == 0 && m > 0 {
                    reading.quality.cancellation = Some(cancellation());
                }
                let frequency_hz = product.frequency_hz(28e9, 23.5e9).abs();
                entries.push(SpurEntry { m: m as u32, n: n as u32, sum, frequency_hz, reading });
            }
        }
    }
    SpurGrid {
        title: "Products at the IF port".into(),
        input: PortName::Rf,
        entries,
        wanted_dbm: -16.2,
        not_claimed_dbc: -100.0,
    }
}

fn spur_section() -> Section {
    let product = |n, m| Measure::Spur(Product::new(n, m));
    let mut s33 = curve("3×3", product(3, -3), &S33, Some(4.0));
    s33.points[0].1.quality.is_bound = true;
    s33.points[0].1.value = -95.0;
    let bands = [1.0, 1.5, 2.0, 3.5, 5.0, 6.0, 7.0];
    let mut s22 = curve("2×2", product(2, -2), &S22, None);
    for ((_, r), b) in s22.points.iter_mut().zip(bands) {
        r.quality.numeric_band = Some(b);
    }
    section(
        "spurs",
        "Mixing products",
        "RF 23.5 GHz at -10 dBm, LO 28 GHz at +15 dBm, output at the IF port.",
        vec![
            Item::Spurs(spur_grid()),
            plot(
                "Products over RF",
                axis("RF frequency", "GHz"),
                ("Level", "dBc"),
                vec![s22, s33],
                vec![limit(None, Bound::AtMost(-58.0), "surface echo")],
            ),
            plot(
                "Products against RF level",
                axis("RF level", "dBm"),
                ("Level", "dBm"),
                (2..=5).map(slope).collect(),
                vec![],
            ),
        ],
    )
}

fn slope(m: i32) -> Curve {
    let p = Product::new(m, -m);
    let points = (0..=10).map(|i| {
        let level = -20.0 + 2.0 * f64::from(i);
        let value = -30.0 - 20.0 * f64::from(m) + f64::from(m) * (level + 10.0);
        let mut r = reading(Measure::Spur(p), value, 23.0, None);
        r.conditions.signal_dbm = Some(level);
        (level, r)
    });
    Curve { name: format!("{m}×{m}, slope {m}.00"), points: points.collect() }
}

fn waveform_section() -> Section {
    let junction = |k: usize| {
        let n = 256;
        let phase = if k.is_multiple_of(2) { 0.0 } else { std::f64::consts::PI };
        let t: Vec<f64> = (0..=n).map(|i| i as f64 / n as f64 / 28e9).collect();
        let angle = |t: f64| 2.0 * std::f64::consts::PI * 28e9 * t + phase;
        let v: Vec<f64> = t
            .iter()
            .map(|&t| {
                let drive = 1.15 * angle(t).cos() - 0.25;
                if drive > 0.55 { 0.55 + 0.12 * (1.0 - (-(drive - 0.55) / 0.12).exp()) } else { drive }
            })
            .collect();
        let i: Vec<f64> = v.iter().map(|v| 6e-12 * ((v / 0.02878).exp() - 1.0) * (1.0 + 0.03 * k as f64)).collect();
        let total = i
            .iter()
            .zip(&t)
            .map(|(i, &t)| i - 44e-15 * 1.15 * 2.0 * std::f64::consts::PI * 28e9 * angle(t).sin())
            .collect();
        JunctionWaveform {
            name: format!("Diode {}", k + 1),
            time_s: t,
            voltage_v: v,
            current_a: i,
            total_current_a: total,
        }
    };
    let plot =
        WaveformPlot { title: "One LO period at each junction".into(), junctions: (0..4).map(junction).collect() };
    let currents = (0..4)
        .map(|d| {
            let mut r = reading(Measure::DiodeCurrent { diode: d }, 3.1 + 0.02 * f64::from(d), 23.0, Some(0.004));
            r.quality.method = Method::Balance;
            r
        })
        .collect();
    section(
        "lo_only",
        "LO alone: junctions",
        "LO 28 GHz at +15 dBm, no RF. All diodes share one scale.",
        vec![Item::Waveforms(plot), Item::Table(Table { title: "Mean currents".into(), readings: currents })],
    )
}

fn dc_section() -> Section {
    let phase = |i: i32| {
        let degrees = 15.0 * f64::from(i);
        let value = 2.06 + 118.0 * degrees.to_radians().sin();
        (degrees, reading(Measure::PhaseDetectorVoltage, value, 28.0, Some(0.3)))
    };
    let curve_pd = Curve { name: "detector".into(), points: (-12..=12).map(phase).collect() };
    section(
        "dc",
        "DC offset and phase detector",
        "RF and LO at one frequency, phase swept.",
        vec![
            plot(
                "Phase detector",
                axis("Phase of RF against LO", "°"),
                ("Voltage at IF", "mV"),
                vec![curve_pd],
                vec![],
            ),
            plot(
                "DC offset over RF",
                axis("RF frequency", "GHz"),
                ("DC offset", "mV"),
                vec![curve("offset", Measure::DcOffset, &DC, Some(0.01))],
                vec![limit(Some(Measure::DcOffset), Bound::AtMost(3.0), "")],
            ),
        ],
    )
}

fn banded_section() -> Section {
    let mut loss = curve("loss", Measure::ConversionLoss, &[7.36, 7.28, 6.80, 6.35, 6.47, 6.24, 6.22], Some(0.1));
    for (_, r) in &mut loss.points {
        r.quality.bands.fabrication = Some(spec::Band { below: 0.2, above: 0.45, coverage: 0.9 });
        r.quality.bands.model = Some(spec::Band { below: -0.1, above: 0.6, coverage: 0.9 });
    }
    let mut leak = cancelled(isolation(PortName::Lo, PortName::Rf), 46.1, 23.0, 0.2);
    leak.quality.bands.field = Some(0.7);
    leak.quality.bands.promise = Some(spec::Promise { bound: Bound::AtLeast(38.27), confidence: 0.98 });
    leak.quality.bands.asymmetry =
        Some(spec::Asymmetry { name: "D3.CJ0".into(), step: "1.2 %".into(), change: -7.123 });
    let samples = (0..400).map(|i| 7.0 + 0.6 * f64::from(i * 7919 % 400) / 400.0).collect();
    let histogram = spec::Histogram {
        title: "Conversion loss of 400 units".into(),
        x_label: "Conversion loss".into(),
        unit: "dB".into(),
        samples,
        limit: Some(loss_limit_of(7.5)),
    };
    let bar =
        |name: &str, value: f64| spec::Bar { name: name.into(), value, interval: Some((0.8 * value, 1.3 * value)) };
    let bars = spec::Bars {
        title: "What moves the loss".into(),
        unit: "dB for one standard deviation".into(),
        bars: vec![bar("film1.thickness", 0.09), bar("V27.RS", 0.03), bar("registration of upper strip", -0.02)],
    };
    let card = |tone, title: &str| spec::Card {
        tone,
        title: title.into(),
        text: "The film is 7.8 % thin; one capacitor coupon would decide.".into(),
        facts: vec![("film 1".into(), "-7.8 % ± 1.2 %".into())],
    };
    let cards = spec::Cards {
        title: "Findings".into(),
        cards: vec![card(spec::Tone::Bad, "Lot B: film"), card(spec::Tone::Good, "Lot A"), card(spec::Tone::Open, "C")],
    };
    let grid = spec::Grid {
        title: "Corners".into(),
        heads: vec!["Corner".into(), "Loss, dB".into()],
        rows: vec![vec!["thin film".into(), "7.65".into()], vec!["thick film".into(), "-7.12".into()]],
    };
    let layer = |name: &str, y: f64| spec::DrawingLayer {
        name: name.into(),
        outlines: vec![vec![(0.0, y), (1510.0, y), (1510.0, y + 40.0), (0.0, y + 40.0)]],
    };
    let drawing = spec::Drawing {
        title: "Plan".into(),
        layers: vec![layer("M1 lower strip", 0.0), layer("M2 upper strip", 200.0)],
        marks: vec![spec::Mark { name: "a+".into(), at: (1510.0, 20.0) }],
        stretch: 1.0,
    };
    let table = Table { title: "Leak".into(), readings: vec![leak] };
    section(
        "bands",
        "Bands and spread",
        "Every kind of figure that is not made of readings.",
        vec![
            plot("Loss with bands", axis("RF frequency", "GHz"), ("Loss", "dB"), vec![loss], vec![loss_limit()]),
            Item::Table(table),
            Item::Figure(spec::Figure::Histogram(histogram)),
            Item::Figure(spec::Figure::Bars(bars)),
            Item::Figure(spec::Figure::Cards(cards)),
            Item::Figure(spec::Figure::Grid(grid)),
            Item::Figure(spec::Figure::Drawing(drawing)),
        ],
    )
}

fn loss_limit_of(value: f64) -> spec::Limit {
    limit(Some(Measure::ConversionLoss), Bound::AtMost(value), "link budget")
}

pub fn review() -> Review {
    let lr = isolation(PortName::Lo, PortName::Rf);
    let mut p1db = reading(Measure::InputP1db, 10.8, 23.0, Some(0.05));
    p1db.quality.method = Method::Balance;
    let s22 = Measure::Spur(Product::new(2, -2));
    let mut worst_spur = cancelled(s22, -62.8, 24.0, 5.0);
    worst_spur.quality.method = Method::Perturbation;
    let summary = vec![
        reading(Measure::ConversionLoss, 6.35, 23.0, Some(0.1)),
        reading(Measure::Flatness, 1.14, 23.0, Some(0.14)),
        cancelled(lr, 46.1, 23.0, 0.2),
        reading(isolation(PortName::Lo, PortName::If), 53.9, 23.0, Some(0.01)),
        reading(Measure::ReturnLoss(PortName::Rf), 13.8, 23.0, Some(0.15)),
        worst_spur.clone(),
        p1db.clone(),
        reading(Measure::InputIp3, 19.4, 23.0, Some(0.3)),
        reading(Measure::NoiseFigureSsb, 6.67, 23.0, None),
    ];
    let judge = |l: Limit, r: &[Reading]| l.judge(r);
    let verdicts = vec![
        judge(loss_limit(), &[reading(Measure::ConversionLoss, 7.36, 20.0, Some(0.1))]),
        judge(
            limit(Some(Measure::Flatness), Bound::AtMost(1.2), "range sidelobes"),
            &[reading(Measure::Flatness, 1.14, 23.0, Some(0.14))],
        ),
        judge(
            limit(Some(lr), Bound::AtLeast(38.0), "LO radiated through the antenna"),
            &[cancelled(lr, 45.9, 20.0, 0.2)],
        ),
        judge(
            limit(Some(Measure::ReturnLoss(PortName::Rf)), Bound::AtLeast(9.0), ""),
            &[reading(Measure::ReturnLoss(PortName::Rf), 8.0, 20.0, Some(0.15))],
        ),
        judge(limit(None, Bound::AtMost(-58.0), "surface echo is 55 dB above the deepest layer"), &[worst_spur]),
        judge(Limit { band_hz: None, ..limit(Some(Measure::InputP1db), Bound::AtLeast(9.0), "") }, &[p1db]),
        judge(limit(Some(Measure::InputIp2), Bound::AtLeast(30.0), ""), &[]),
    ];
    Review {
        title: String::new(),
        design: "Wideband ring mixer, 20 to 26 GHz".into(),
        about: "Two stacked coupled-line baluns, launch, pads and crossover strays around a ring of four diodes, \
                reviewed as a down-converter with the LO at 28 GHz."
            .into(),
        nominal: conditions(23.0),
        summary,
        verdicts,
        sections: vec![
            waveform_section(),
            loss_section(),
            lo_section(),
            match_section(),
            isolation_section(),
            spur_section(),
            dc_section(),
            banded_section(),
        ],
        findings: vec![
            Finding::note(
                "network",
                "no data at zero frequency; the even part of a polynomial through the first three points was used",
            ),
            Finding::warning(
                "products of LO order 5",
                "12 % of the sensitivity rests on data continued beyond 110 GHz; extend the field solution to 140 GHz",
            ),
        ],
        work: vec![
            ("Unknowns".into(), "388 (4 junctions × 97 real amplitudes)".into()),
            ("Factorisations".into(), "213".into()),
            ("Highest frequency".into(), "1 344 GHz, data up to 110 GHz".into()),
        ],
    }
}
