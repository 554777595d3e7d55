//! Words of the application page: each block a title, sentences and an optional table, all from the numbers.

use crate::Sheet;
use crate::words::{fixed, frequency, level, plain, value};
use spec::{Item, Measure, PortName, Reading, Section};

/// One block of the application page.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Block {
    pub(crate) title: &'static str,
    pub(crate) text: Vec<String>,
    pub(crate) table: Option<Grid>,
}

/// A small table.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Grid {
    pub(crate) heads: Vec<String>,
    pub(crate) rows: Vec<Vec<String>>,
}

/// The blocks in reading order.
pub(crate) fn blocks(sheet: &Sheet) -> Vec<Block> {
    vec![
        drive(sheet),
        direct_current(sheet),
        terminations(sheet),
        keep_out(sheet),
        ratings(sheet),
        discharge(),
        handling(),
    ]
}

/// Readings of a sweep over LO level, by level.
fn at_levels(sections: &[Section], measure: Measure) -> Vec<&Reading> {
    let mine = sections.iter().filter(|s| s.key == "lo_level" || s.key.starts_with("lo_level-"));
    let plots = mine.flat_map(|s| &s.items).filter_map(|i| if let Item::Curves(p) = i { Some(p) } else { None });
    let curve = plots.flat_map(|p| &p.curves).find(|c| c.points.first().is_some_and(|(_, r)| r.measure == measure));
    curve.map(|c| c.points.iter().map(|(_, r)| r).collect()).unwrap_or_default()
}

/// Value at a level, straight between the two points of the sweep around it.
fn interpolated(readings: &[&Reading], lo_dbm: f64) -> Option<f64> {
    let pair = readings.windows(2).find(|w| w[0].conditions.lo_dbm <= lo_dbm && w[1].conditions.lo_dbm >= lo_dbm)?;
    let (a, b) = (pair[0], pair[1]);
    let width = b.conditions.lo_dbm - a.conditions.lo_dbm;
    let part = if width > 0.0 { (lo_dbm - a.conditions.lo_dbm) / width } else { 0.0 };
    Some(a.value + part * (b.value - a.value)).filter(|v| v.is_finite())
}

fn drive(sheet: &Sheet) -> Block {
    let n = &sheet.review.nominal;
    let (low, high) = sheet.lo_range_dbm;
    let mut text = vec![format!(
        "Nominal drive is {} available at the LO port, {}; the numbers of this sheet hold there. The port may be driven \
         from {} to {}.",
        level(n.lo_dbm),
        frequency(n.lo_hz),
        level(low),
        level(high)
    )];
    let levels = [low, n.lo_dbm, high];
    let wanted = [
        Measure::ConversionLoss,
        Measure::ConversionLossUp,
        Measure::NoiseFigureSsb,
        Measure::ReturnLoss(PortName::Lo),
        Measure::ReturnLoss(PortName::Rf),
        Measure::Isolation { from: PortName::Lo, to: PortName::Rf },
        Measure::Isolation { from: PortName::Lo, to: PortName::If },
        Measure::DcOffset,
    ];
    let rows: Vec<Vec<String>> = wanted
        .into_iter()
        .filter_map(|m| {
            let readings = at_levels(&sheet.review.sections, m);
            let cells: Option<Vec<String>> =
                levels.iter().map(|&l| interpolated(&readings, l).map(|v| value(m, v))).collect();
            let at = readings.first()?.conditions.rf_hz.map(|f| format!(" at RF {}", frequency(f))).unwrap_or_default();
            Some([vec![format!("{}{at}, {}", m.label(), m.unit())], cells?].concat())
        })
        .collect();
    let mut heads = vec!["LO level".to_owned()];
    heads.extend(levels.iter().map(|&l| level(l)));
    let table = (!rows.is_empty()).then_some(Grid { heads, rows });
    if table.is_none() {
        text.push("The review behind this sheet holds no sweep of the LO level.".into());
    }
    Block { title: "LO drive", text, table }
}

fn direct_current(sheet: &Sheet) -> Block {
    let mut text = Vec::new();
    for p in &sheet.direct_paths {
        text.push(if p.ohm < 1e3 {
            format!(
                "{}: {} Ω to ground inside; block any direct voltage of your circuit with a series capacitor.",
                p.port,
                fixed(p.ohm, if p.ohm < 10.0 { 2 } else { 0 })
            )
        } else if p.ohm < 1e6 {
            format!("{}: {} kΩ to ground inside, through the diodes at rest.", p.port, plain(p.ohm / 1e3))
        } else {
            format!("{}: no path to ground for direct current inside; your circuit must not rely on one.", p.port)
        });
    }
    if sheet.direct_paths.is_empty() {
        text.push("Not studied for this sheet.".into());
    }
    if let Some(dc) = crate::rows::headline(sheet, Measure::DcOffset) {
        text.push(format!(
            "With the LO on, the IF port gives a direct voltage of {} mV into its reference load; leave the diodes a \
             return for direct current at the IF port, or a bias builds up and all numbers change.",
            value(Measure::DcOffset, dc.value)
        ));
    }
    Block { title: "Direct current", text, table: None }
}

fn terminations(sheet: &Sheet) -> Block {
    let stated = sheet.review.nominal.terminations.trim();
    let stated =
        if stated.is_empty() { "the reference loads of the review".to_owned() } else { stated.replace("ohm", "Ω") };
    let n = &sheet.review.nominal;
    let image = 2.0 * n.lo_hz - 0.5 * (sheet.rf_band_hz.0 + sheet.rf_band_hz.1);
    let mut text = vec![format!("All numbers hold with {stated}.")];
    if image > 0.0 {
        let (a, b) = (2.0 * n.lo_hz - sheet.rf_band_hz.1, 2.0 * n.lo_hz - sheet.rf_band_hz.0);
        text.push(format!(
            "A mixer also converts what returns to it: a filter that reflects the image ({} to {}), the sum of LO and RF, \
             or LO harmonics changes loss, products and direct voltage, by an amount that depends on its distance. Use \
             the three-port model with your own filters, or put a matched pad between.",
            frequency(a),
            frequency(b)
        ));
    }
    Block { title: "Terminations", text, table: None }
}

fn keep_out(sheet: &Sheet) -> Block {
    let title = "Keep-out lengths";
    match &sheet.keep_out {
        None => Block {
            title,
            text: vec![
                "Not studied for this sheet: the effect of a fully reflecting filter against its distance is no part of \
                 the review. Take it from the three-port model before you fix a layout."
                    .into(),
            ],
            table: None,
        },
        Some(list) if list.is_empty() => Block {
            title,
            text: vec!["No length of line between mixer and a reflecting filter was found to be harmful.".into()],
            table: None,
        },
        Some(list) => {
            let range = |k: &crate::KeepOut| format!("{} to {} mm", fixed(1e3 * k.from_m, 2), fixed(1e3 * k.to_m, 2));
            let mut rows: Vec<Vec<String>> = Vec::new();
            for k in list {
                match rows.iter_mut().find(|r| r[0] == k.what && r[2] == k.harm) {
                    Some(row) => row[1].push_str(&format!("; {}", range(k))),
                    None => rows.push(vec![k.what.clone(), range(k), k.harm.clone()]),
                }
            }
            let heads = ["Reflected", "Stay away from", "Because"].map(str::to_owned).to_vec();
            let text = vec![
                "Line lengths, in vacuum, between the reference plane of the port and a filter that reflects nearly all of \
                 what is named; divide by the root of the effective permittivity of your line."
                    .into(),
            ];
            Block { title, text, table: Some(Grid { heads, rows }) }
        }
    }
}

fn ratings(sheet: &Sheet) -> Block {
    let rows: Vec<Vec<String>> =
        sheet.ratings.iter().map(|r| vec![r.name.clone(), r.value.clone(), r.from.clone()]).collect();
    let heads = ["Rating", "Limit", "Follows from"].map(str::to_owned).to_vec();
    let text = if rows.is_empty() {
        "None are stated for this part, and none may be assumed.".to_owned()
    } else {
        "Beyond these limits damage may be lasting. They are no operating conditions; no life test stands behind them \
         unless it is named."
            .to_owned()
    };
    Block {
        title: "Absolute maximum ratings",
        text: vec![text],
        table: (!rows.is_empty()).then_some(Grid { heads, rows }),
    }
}

fn discharge() -> Block {
    Block {
        title: "Electrostatic discharge",
        text: vec![
            "The junctions are small Schottky contacts and can be damaged by charges below the threshold of feeling. No \
             withstand class was measured for this part: treat it as unprotected. Work in a controlled area with \
             grounded people, tools and packaging (programmes after IEC 61340-5-1 or ANSI/ESD S20.20)."
                .into(),
        ],
        table: None,
    }
}

fn handling() -> Block {
    Block {
        title: "Handling and use",
        text: vec![
            "Mounting, soldering, cleaning and disposal follow the instructions of the assembler and the rules of the \
             place where it is done; gallium arsenide and plating baths are matters for trained staff."
                .into(),
            "Microwave power burns and harms eyes. Check levels with a power meter before you connect the part, never open a \
             connector while the LO is on, and keep to the safety rules of your laboratory and of your country, which come \
             before this sheet."
                .into(),
            "Transmitting needs a licence or permission of the local authority; the LO leaks through the RF port. Wideband \
             mixers and models of them can fall under export control and end-use rules: finding out is the duty of whoever \
             hands them on."
                .into(),
            "Not qualified for flight, medical or other use on which safety depends, unless a qualification of its own says \
             so; there the judgement of a licensed engineer goes before this sheet."
                .into(),
        ],
        table: None,
    }
}
