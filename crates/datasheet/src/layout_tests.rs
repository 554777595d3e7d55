//! Pages of an invented sheet with long names and many lots: nothing overlaps, nothing leaves the page, nothing is empty.

use crate::canvas::{BOLD, MARGIN, Metrics, PAGE_HEIGHT, PAGE_WIDTH, REGULAR, Style};
use crate::{KeepOut, Measured, Path, Rating, Sample, Sheet, html, pages, pdf, rows};
use spec::{
    Axis, Bands, Conditions, Curve, CurvePlot, Item, Measure, Method, Outcome, PortName, Product, Quality, Reading,
    Review, Section, SpurEntry, SpurGrid,
};

fn reading(measure: Measure, value: f64, rf_hz: Option<f64>) -> Reading {
    let conditions = Conditions {
        lo_hz: 28e9,
        rf_hz,
        if_hz: rf_hz.map(|f| 28e9 - f),
        lo_dbm: 15.0,
        signal_dbm: rf_hz.map(|_| -10.0),
        temp_k: 298.15,
        terminations: "50 ohm on every port at every frequency".into(),
        ..Conditions::default()
    };
    let quality = Quality {
        outcome: Outcome::Converged,
        method: Method::Balance,
        numeric_band: Some(0.3),
        orders: (16, 5),
        residual: 0.0,
        continued: None,
        cancellation: None,
        is_bound: false,
        bands: Bands::default(),
    };
    Reading { measure, value, conditions, quality }
}

fn isolation(from: PortName, to: PortName) -> Measure {
    Measure::Isolation { from, to }
}

fn review() -> Review {
    let band: Vec<f64> = (0..7).map(|i| 20e9 + 1e9 * f64::from(i)).collect();
    let points = band
        .iter()
        .enumerate()
        .map(|(i, f)| (f / 1e9, reading(Measure::ConversionLoss, 6.0 + 0.2 * i as f64, Some(*f))));
    let curve = Curve { name: "small signal".into(), points: points.collect() };
    let plot = CurvePlot {
        title: "Conversion loss".into(),
        x: Axis { label: "RF".into(), unit: "GHz".into() },
        y_label: "Loss".into(),
        y_unit: "dB".into(),
        curves: vec![curve],
        limits: Vec::new(),
    };
    let entry = |m: u32, n: u32, sum| SpurEntry {
        m,
        n,
        sum,
        frequency_hz: 1e9,
        reading: reading(Measure::Spur(Product::new(n as i32, -(m as i32))), -60.0 - f64::from(m * n), Some(23e9)),
    };
    let entries = (1..=4).flat_map(|m| (0..=4).flat_map(move |n| [false, true].map(|s| (m, n, s))));
    let grid = SpurGrid {
        title: "Products".into(),
        input: PortName::Rf,
        entries: entries.map(|(m, n, s)| entry(m, n, s)).collect(),
        wanted_dbm: -16.5,
        not_claimed_dbc: -100.0,
    };
    let section = |key: &str, items| Section { key: key.into(), title: key.into(), text: String::new(), items };
    let nominal =
        Conditions { rf_hz: None, if_hz: None, signal_dbm: None, ..reading(Measure::DcOffset, 0.0, None).conditions };
    Review {
        design: "invented".into(),
        about: "Double-balanced ring of four flip diodes between two stacked coupled-line baluns. ".repeat(4),
        nominal,
        summary: vec![
            reading(Measure::ConversionLoss, 6.7, Some(26e9)),
            reading(Measure::Flatness, 1.5, None),
            reading(Measure::ConversionLossUp, 7.5, Some(26e9)),
            reading(isolation(PortName::Lo, PortName::Rf), 46.4, None),
            reading(isolation(PortName::Lo, PortName::If), 53.8, None),
            reading(isolation(PortName::Rf, PortName::If), 14.2, Some(20e9)),
            reading(Measure::ReturnLoss(PortName::Rf), 7.4, Some(20e9)),
            reading(Measure::Spur(Product::new(2, -2)), -61.2, Some(26e9)),
            reading(Measure::InputP1db, 8.2, Some(20e9)),
            reading(Measure::DcOffset, -2.1, Some(26e9)),
        ],
        sections: vec![section("down_fixed_lo", vec![Item::Curves(plot)]), section("spurs", vec![Item::Spurs(grid)])],
        ..Review::default()
    }
}

/// Units of three lots, `per_lot` each.
fn samples(measure: Measure, around: f64, per_lot: usize) -> Vec<Sample> {
    let of = move |k: usize| Sample {
        measure,
        rf_hz: Some(23e9),
        lot: format!("lot {}", k % 3),
        unit: format!("unit {k}"),
        value: around + 0.1 * ((k * 7) % 5) as f64,
        at_floor: false,
    };
    (0..3 * per_lot).map(of).collect()
}

fn sheet(measured: bool) -> Sheet {
    let measured = measured.then(|| Measured {
        samples: [
            samples(Measure::ConversionLoss, 6.4, 4),
            samples(isolation(PortName::Lo, PortName::Rf), 45.0, 2),
            samples(isolation(PortName::Rf, PortName::If), 25.0, 4),
        ]
        .concat(),
        coverage: 0.9,
        confidence: 0.95,
        source: "sessions A-2, B-1, C-1 (2031-06-05 to 2031-09-01), measured at 23 °C".into(),
    });
    Sheet {
        name: "An invented type with a name that is far longer than any title should be".into(),
        kind: "Passive up- and down-converting mixer with 4 Schottky diodes".into(),
        revision: "17".into(),
        origin: vec![("model package (blake3)".into(), "0123456789abcdef".repeat(4)), ("maker".into(), "Maker".into())],
        notices: vec![
            "For evaluation by the customer named in the contract only, not for publication or for resale".into(),
            "Made from a model meant for use up to 2031-12-31: ask the maker for a later one.".into(),
        ],
        review: review(),
        rf_band_hz: (20e9, 26e9),
        if_band_hz: (2e9, 8e9),
        lo_range_dbm: (13.0, 17.0),
        measured,
        ratings: vec![Rating {
            name: "LO level".into(),
            value: "+19.3 dBm".into(),
            from: "mean current of a diode reaches its rating, at 28 GHz".into(),
        }],
        direct_paths: vec![
            Path { port: "LO".into(), ohm: f64::INFINITY },
            Path { port: "RF".into(), ohm: 0.4 },
            Path { port: "IF".into(), ohm: 2.0e5 },
        ],
        keep_out: Some(vec![KeepOut {
            what: "image, 30 to 36 GHz, at RF".into(),
            from_m: 1.2e-3,
            to_m: 2.0e-3,
            harm: "loss above 8.0 dB somewhere in the band (without filter 7.6 dB at most)".into(),
        }]),
    }
}

/// Left, top, right, bottom of each text outside of pictures.
fn boxes(svg: &str) -> Vec<(f64, f64, f64, f64, String)> {
    let document = roxmltree::Document::parse(svg).expect("well-formed");
    let metrics = Metrics::new();
    let top = document.root_element().children().filter(|n| n.has_tag_name("text"));
    top.map(|n| {
        let number = |name: &str| n.attribute(name).and_then(|v| v.parse::<f64>().ok()).unwrap_or(0.0);
        let (x, y, size) = (number("x"), number("y"), number("font-size"));
        let style = Style { bold: n.attribute("font-weight").is_some(), ..Style::new(size) };
        let text = n.text().unwrap_or_default().to_owned();
        let width = metrics.width(&text, style);
        let left = match n.attribute("text-anchor") {
            Some("middle") => x - 0.5 * width,
            Some("end") => x - width,
            _ => x,
        };
        // digits and capitals reach 0.71 of the size above the line, descenders 0.2 below
        (left, y - 0.71 * size, left + width, y + 0.2 * size, text)
    })
    .collect()
}

#[test]
fn nothing_overlaps_and_nothing_leaves_the_page() {
    for measured in [false, true] {
        let pages = pages(&sheet(measured)).expect("pages");
        assert!(pages.len() >= 3);
        for (p, page) in pages.iter().enumerate() {
            let all = boxes(page);
            assert!(all.len() > 6 || page.contains("<g transform"), "page {} is almost empty", p + 1);
            for (i, a) in all.iter().enumerate() {
                let inside =
                    a.0 >= MARGIN - 0.5 && a.2 <= PAGE_WIDTH - MARGIN + 0.5 && a.1 > 8.0 && a.3 < PAGE_HEIGHT - 20.0;
                assert!(inside, "page {}: `{}` leaves the margins: {:?}", p + 1, a.4, (a.0, a.1, a.2, a.3));
                for b in &all[i + 1..] {
                    let apart = a.2 <= b.0 + 0.3 || b.2 <= a.0 + 0.3 || a.3 <= b.1 + 0.3 || b.3 <= a.1 + 0.3;
                    assert!(apart, "page {}: `{}` and `{}` overlap", p + 1, a.4, b.4);
                }
            }
        }
    }
}

#[test]
fn measured_and_simulated_values_are_kept_apart() {
    let simulated = rows(&sheet(false)).expect("rows");
    assert!(simulated.iter().all(|r| !r.is_measured() && r.guaranteed_min.is_empty() && r.guaranteed_max.is_empty()));
    let measured = rows(&sheet(true)).expect("rows");
    let of = |m: Measure| measured.iter().find(|r| r.measure == m).expect("a row");
    let loss = of(Measure::ConversionLoss);
    assert!(loss.is_measured() && loss.guaranteed_min.is_empty() && loss.basis.contains("12 units of 3 lots"));
    assert_eq!((loss.typical.as_str(), loss.simulated_mean.as_str()), ("6.6", "6.6"));
    let bound: f64 = loss.guaranteed_max.parse().expect("a number");
    assert!(bound > 6.8, "{bound}");
    // measured at 23 GHz only, while the design falls to 14.2 dB at 20 GHz
    let missed = of(isolation(PortName::Rf, PortName::If));
    assert!(missed.guaranteed_min.is_empty() && missed.basis.contains("simulation is worse"), "{}", missed.basis);
    // six units: a mean, no guarantee, and a reason
    let few = of(isolation(PortName::Lo, PortName::Rf));
    assert!(few.is_measured() && few.guaranteed_min.is_empty() && few.basis.contains("too few"), "{few:?}");
    assert!(!of(Measure::InputP1db).is_measured());
}

#[test]
fn the_pdf_carries_its_typeface_and_is_the_same_every_time() {
    let one = pdf(&sheet(true)).expect("a document");
    assert!(one.starts_with(b"%PDF-"));
    // text stays text: a font with a map to characters is embedded
    let has = |word: &[u8]| one.windows(word.len()).any(|w| w == word);
    assert!(has(b"/FontFile") || has(b"/FontFile2") || has(b"/FontFile3") || has(b"/ObjStm"));
    assert_eq!(one, pdf(&sheet(true)).expect("a document"));
    assert!(REGULAR.len() > 1000 && BOLD.len() > 1000);
}

#[test]
fn the_page_for_browsers_is_well_formed_and_says_the_same() {
    let text = html(&sheet(true)).expect("a page");
    let body = text.replacen("<!DOCTYPE html>\n", "", 1);
    roxmltree::Document::parse(&body).expect("well-formed");
    for word in [
        "Electrical characteristics",
        "not for publication",
        "LO first",
        "Absolute maximum ratings",
        "90 %",
        "0123456789abcdef",
    ] {
        assert!(text.contains(word), "no `{word}`");
    }
}
