//! Reviews no designer hopes for: nothing, numbers that are none, hostile names, crowds.

use super::*;

pub const HOSTILE: &str = "<b>&amp;\"x'</b><script>alert(1)</script>\u{0}\u{1b}[31m]]>";

/// A review with nothing in it.
pub fn empty() -> Review {
    let items = vec![
        plot("No curves", axis("", ""), ("", ""), vec![], vec![]),
        plot(
            "No points",
            axis("RF", "GHz"),
            ("Loss", "dB"),
            vec![Curve { name: "none".into(), points: vec![] }],
            vec![loss_limit()],
        ),
        Item::Spurs(SpurGrid {
            title: "No cells".into(),
            entries: vec![],
            input: PortName::Rf,
            wanted_dbm: f64::NAN,
            not_claimed_dbc: f64::NAN,
        }),
        Item::Smith(SmithPlot { title: "No loci".into(), reference_ohm: 50.0, loci: vec![] }),
        Item::Waveforms(WaveformPlot { title: "No junctions".into(), junctions: vec![] }),
        Item::Table(Table { title: "No rows".into(), readings: vec![] }),
    ];
    Review {
        title: String::new(),
        design: String::new(),
        about: String::new(),
        nominal: Conditions::default(),
        summary: vec![],
        verdicts: vec![],
        sections: vec![section("", "", "", items), section("", "", "", vec![])],
        findings: vec![],
        work: vec![],
    }
}

/// Not-a-number, infinity, zero width and huge values in every place that takes a number.
pub fn broken() -> Review {
    let bad = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 0.0, -0.0, 1e300, -1e300, 1e-300];
    let mut readings: Vec<Reading> = bad.iter().map(|&v| reading(Measure::ConversionLoss, v, v, Some(v))).collect();
    for (r, &v) in readings.iter_mut().zip(&bad) {
        r.conditions.lo_hz = v;
        r.conditions.temp_k = v;
        r.quality.residual = v;
        r.quality.is_bound = true;
        r.quality.continued = Some(Continued { share: v, spread: v });
        let terms = vec![Term { name: HOSTILE.into(), value: Complex64::new(v, 1.0) }; 2];
        r.quality.cancellation = Some(Cancellation { ratio_db: v, terms });
    }
    let curves = |xs: &[f64]| {
        let points = xs.iter().flat_map(|&x| readings.iter().map(move |r| (x, r.clone()))).collect();
        vec![Curve { name: HOSTILE.into(), points }]
    };
    let limits: Vec<Limit> = bad
        .iter()
        .flat_map(|&v| {
            [Bound::AtMost(v), Bound::AtLeast(v)].map(|b| Limit { band_hz: Some((v, v)), ..limit(None, b, HOSTILE) })
        })
        .collect();
    let entries = readings
        .iter()
        .enumerate()
        .map(|(n, r)| SpurEntry { m: 3, n: n as u32, sum: n % 2 == 0, frequency_hz: r.value, reading: r.clone() })
        .collect();
    let points: Vec<(f64, Complex64)> = bad.iter().flat_map(|&a| bad.map(|b| (a, Complex64::new(b, a)))).collect();
    let wave = |name: &str, n: usize| JunctionWaveform {
        name: name.into(),
        time_s: bad[..n].to_vec(),
        voltage_v: bad.to_vec(),
        current_a: bad[..n / 2].to_vec(),
        total_current_a: vec![],
    };
    let items = vec![
        plot(HOSTILE, axis(HOSTILE, HOSTILE), (HOSTILE, HOSTILE), curves(&bad), limits.clone()),
        plot(
            "one point",
            axis("RF", "GHz"),
            ("Loss", "dB"),
            vec![Curve { name: "one".into(), points: vec![(3.0, reading(Measure::Flatness, 2.0, 3.0, Some(1.0)))] }],
            vec![],
        ),
        plot("only broken", axis("RF", "GHz"), ("Loss", "dB"), curves(&[f64::NAN]), vec![]),
        Item::Spurs(SpurGrid {
            title: HOSTILE.into(),
            entries,
            input: PortName::If,
            wanted_dbm: f64::INFINITY,
            not_claimed_dbc: f64::NEG_INFINITY,
        }),
        Item::Smith(SmithPlot {
            title: HOSTILE.into(),
            reference_ohm: f64::NAN,
            loci: vec![
                Locus { name: HOSTILE.into(), points },
                Locus { name: "one".into(), points: vec![(1e9, Complex64::new(1.4, 0.2))] },
            ],
        }),
        Item::Waveforms(WaveformPlot {
            title: HOSTILE.into(),
            junctions: vec![wave(HOSTILE, 8), wave("short", 3), wave("none", 0)],
        }),
        Item::Table(Table { title: HOSTILE.into(), readings: readings.clone() }),
    ];
    Review {
        title: HOSTILE.into(),
        design: HOSTILE.into(),
        about: HOSTILE.into(),
        nominal: Conditions { terminations: HOSTILE.into(), lo_hz: f64::NAN, ..conditions(f64::INFINITY) },
        verdicts: limits.iter().map(|l| l.judge(&readings)).collect(),
        summary: readings,
        sections: vec![section(HOSTILE, HOSTILE, HOSTILE, items)],
        findings: vec![Finding::warning(HOSTILE, HOSTILE)],
        work: vec![(HOSTILE.into(), HOSTILE.into())],
    }
}

/// Many curves, long names, close limits, large grids.
pub fn crowded() -> Review {
    let many = |n: usize, name: &dyn Fn(usize) -> String, gap: f64| -> Vec<Curve> {
        (0..n)
            .map(|k| Curve {
                name: name(k),
                points: (0..12)
                    .map(|i| {
                        let x = 20.0 + 0.5 * f64::from(i);
                        (
                            x,
                            reading(
                                Measure::ConversionLoss,
                                6.0 + gap * k as f64 + 0.3 * (x + k as f64).sin(),
                                x,
                                Some(0.05),
                            ),
                        )
                    })
                    .collect(),
            })
            .collect()
    };
    let frequency = || axis("RF frequency", "GHz");
    let limits = |values: &[f64]| values.iter().map(|&v| limit(None, Bound::AtMost(v), "")).collect::<Vec<_>>();
    let loci = (0..3)
        .map(|k| Locus {
            name: format!("port {}", k + 1),
            points: (0..40)
                .map(|i| {
                    let f = 20.0 + 0.15 * f64::from(i);
                    (f * 1e9, Complex64::from_polar(0.25 + 0.1 * f64::from(k), 1.1 * f + f64::from(k)))
                })
                .collect(),
        })
        .collect();
    let mut grid = spur_grid();
    grid.entries = (0..=6)
        .flat_map(|m| (0..=10).map(move |n| (m, n)))
        .map(|(m, n)| {
            let mut reading = reading(
                Measure::Spur(Product::new(n, -m)),
                -(f64::from(m * 13 + n * 4)) - 1.0,
                23.5,
                Some(0.31 * f64::from(m * n)),
            );
            reading.quality.is_bound = (m + n) % 5 == 4;
            SpurEntry { m: m as u32, n: n as u32, sum: false, frequency_hz: 1e9, reading }
        })
        .collect();
    let items = vec![
        plot(
            "Four close curves",
            frequency(),
            ("Conversion loss", "dB"),
            many(4, &|k| format!("{} K", 233 + 30 * k), 0.002),
            limits(&[6.1, 6.15]),
        ),
        plot(
            "Nine curves",
            frequency(),
            ("Conversion loss", "dB"),
            many(9, &|k| format!("LO level {} dBm", 9 + k), 0.3),
            limits(&[8.0]),
        ),
        plot(
            "Long names",
            frequency(),
            ("Conversion loss", "dB"),
            many(
                3,
                &|k| format!("lower sideband with the preselector at {} mm from the package plane and a pad", 6 * k),
                0.5,
            ),
            vec![],
        ),
        plot(
            "A very long title of a picture that says what was swept and what was held and under which terminations",
            axis("A very long label of an axis that says too much about the sweep and its many conditions", "GHz"),
            ("A very long label of the vertical axis that says too much about the quantity on it", "dB"),
            many(1, &|_| "one".into(), 0.0),
            vec![],
        ),
        Item::Smith(SmithPlot { title: "Three loci".into(), reference_ohm: 50.0, loci }),
        Item::Spurs(grid),
    ];
    Review { sections: vec![section("crowded", "Crowded", "", items)], ..review() }
}
