//! A receiver or transmitter row: pads, filters, the mixer, amplifiers, from a small TOML file.
//!
//! Input: the file (every key in `docs/surroundings.md`); a model named in it gives the numbers of the mixer. Output: the
//! row stage by stage as text or JSON.

use crate::design::tree::{Rule, Sink, Table};
use crate::design::{DesignError, ProblemKind};
use crate::error::ProjectError;
use crate::surround::{check_format, document, load_model};
use handover::chain::{Cumulative, Stage, StageKind, cascade};
use handover::point::{IF, IMAGE, Lo, RF, pump};
use handover::{HandoverError, Model};
use numerics::Watch;
use quantity::{Frequency, Level, PowerRatio};
use spec::Measure;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// A row, read and computed.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Name.
    pub name: String,
    /// Level at its input, dBm.
    pub input_dbm: f64,
    /// The stages.
    pub stages: Vec<Stage>,
    /// Numbers from the input to the end of each stage.
    pub cumulative: Vec<Cumulative>,
    /// Where numbers of a model came from.
    pub notes: Vec<String>,
}

/// A stage as written, before a model has been asked.
enum Written {
    Stage(Stage),
    Model { name: String, file: PathBuf, rf_hz: Option<f64>, lo_dbm: Option<f64> },
}

/// Reads a row and computes it.
///
/// # Errors
/// All problems of the file at once; a model that cannot be opened or computed.
pub fn run(path: &Path, watch: &dyn Watch) -> Result<Row, ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    let text = String::from_utf8_lossy(&bytes).into_owned();
    parse(&path.display().to_string(), &text, path.parent().unwrap_or(Path::new("")), watch)
}

/// Reads the text of a row; `folder` resolves names of models.
///
/// # Errors
/// As [`run`].
pub fn parse(file: &str, text: &str, folder: &Path, watch: &dyn Watch) -> Result<Row, ProjectError> {
    let sink = Sink::default();
    let written = read(text, folder, &sink);
    let (name, input_dbm, written) = match written {
        Some(row) if sink.is_empty() => row,
        _ => {
            let problems = sink.into_problems();
            return Err(DesignError { file: file.into(), source_text: text.into(), problems }.into());
        }
    };
    let (mut stages, mut notes) = (Vec::new(), Vec::new());
    for stage in written {
        match stage {
            Written::Stage(stage) => stages.push(stage),
            Written::Model { name, file, rf_hz, lo_dbm } => {
                let model = load_model(&file, watch)?;
                stages.push(from_model(&name, &model, rf_hz, lo_dbm, &mut notes)?);
            }
        }
    }
    let cumulative = cascade(&stages, input_dbm)?;
    Ok(Row { name, input_dbm, stages, cumulative, notes })
}

fn read(text: &str, folder: &Path, sink: &Sink) -> Option<(String, f64, Vec<Written>)> {
    let document = document(text, sink)?;
    let root = Table::new(document.get_ref(), 0..0, "", sink);
    check_format(&root);
    let name = root.required_text("name", "name the row, for example `name = \"receiver\"`");
    let input = root.required::<Level>("input_level", Rule::Any);
    let tables = root.tables("stage");
    if tables.is_empty() {
        let help = "add a `[[stage]]` for each part from the input to the output";
        sink.push(ProblemKind::MissingKey, 0..0, "the row has no stage".into(), help);
    }
    let stages: Vec<Option<Written>> = tables.iter().map(|t| read_stage(t, folder)).collect();
    tables.into_iter().for_each(Table::finish);
    root.finish();
    Some((name?.value, input?.value.dbm(), stages.into_iter().collect::<Option<_>>()?))
}

const KINDS: [(&str, &str); 5] =
    [("pad", "pad"), ("filter", "filter"), ("mixer", "mixer"), ("amplifier", "amplifier"), ("model", "model")];

fn read_stage(t: &Table<'_>, folder: &Path) -> Option<Written> {
    let name = t.required_text("name", "name the stage");
    if !t.has("kind") {
        let help = "add `kind = \"…\"` with one of pad, filter, mixer, amplifier, model";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "this stage does not say what it is".into(), help);
    }
    let kind = t.word("kind", &KINDS)?;
    let name = name?.value;
    let db = |key| t.quantity::<PowerRatio>(key, Rule::Any).map(|q| q.value.db());
    let level = |key| t.quantity::<Level>(key, Rule::Any).map(|q| q.value.dbm());
    match kind.value {
        "pad" | "filter" => {
            let loss = t.required::<PowerRatio>("loss", Rule::NotNegative)?.value.db();
            let mut stage = Stage::pad(&name, loss);
            if kind.value == "filter" {
                stage.kind = StageKind::ImageFilter;
                stage.image_gain_db =
                    t.quantity::<PowerRatio>("image_rejection", Rule::NotNegative).map(|q| -q.value.db() - loss);
            }
            Some(Written::Stage(stage))
        }
        "amplifier" => {
            let gain_db = t.required::<PowerRatio>("gain", Rule::Any)?.value.db();
            let noise_db = t.required::<PowerRatio>("noise_figure", Rule::NotNegative)?.value.db();
            let at_input = |output: Option<f64>| output.map(|o| o - gain_db);
            Some(Written::Stage(Stage {
                gain_db,
                noise_db,
                ip3_dbm: at_input(level("output_ip3")),
                ip2_dbm: at_input(level("output_ip2")),
                // the trade quotes output compression: gain is 1 dB lower there
                p1db_dbm: level("output_p1db").map(|o| o - gain_db + 1.0),
                ..Stage::pad(&name, 0.0)
            }))
        }
        "mixer" => {
            let loss = t.required::<PowerRatio>("loss", Rule::Any)?.value.db();
            Some(Written::Stage(Stage {
                kind: StageKind::Converter,
                gain_db: -loss,
                noise_db: db("noise_figure").unwrap_or(loss),
                ip3_dbm: level("input_ip3"),
                ip2_dbm: level("input_ip2"),
                p1db_dbm: level("input_p1db"),
                image_gain_db: db("image_loss").map(|l| -l),
                ..Stage::pad(&name, 0.0)
            }))
        }
        _ => {
            let file = t.required_text("file", "name a model package or a design beside this file")?;
            let path = folder.join(&file.value);
            if !path.is_file() {
                let message = format!("`{}` is not beside this file", file.value);
                t.sink().push(ProblemKind::File, file.span, message, "correct the name, or put the file there");
                return None;
            }
            let rf_hz = t.quantity::<Frequency>("rf", Rule::Positive).map(|f| f.value.si());
            Some(Written::Model { name, file: path, rf_hz, lo_dbm: level("lo_level") })
        }
    }
}

/// LO harmonics kept: loss and noise stand still to 0.01 dB.
const LO_ORDER: usize = 24;

/// Loss and noise of a model computed at one RF; intercepts and compression are those its maker tells.
fn from_model(
    name: &str,
    model: &Model,
    rf_hz: Option<f64>,
    lo_dbm: Option<f64>,
    notes: &mut Vec<String>,
) -> Result<Stage, ProjectError> {
    let plan = &model.plans[0].plan;
    let rf_hz = rf_hz.unwrap_or_else(|| plan.rf_centre_hz());
    let lo = Lo { hz: plan.lo_hz, dbm: lo_dbm.unwrap_or(plan.lo_dbm) };
    let asked = mixer::Plan { rf_band_hz: (rf_hz, rf_hz), lo_dbm: lo.dbm, ..plan.clone() };
    for finding in model.check(&asked)? {
        notes.push(format!("{}: {}", finding.place, finding.text));
    }
    let mixer = model.mixer()?;
    let pumped = pump(&mixer, lo, &[], LO_ORDER, None)?;
    let conversion = pumped.state.conversion(rf_hz)?;
    let s = conversion.scattered(&[(mixer.ports.rf, RF), (mixer.ports.rf, IMAGE)])?;
    let gain = |k: usize| 20.0 * s[k].at(mixer.ports.if_, IF).norm().log10();
    let settings =
        balance::NoiseSettings { network_temp_k: model.temp_k, port_temp_k: 290.0, shot: balance::ShotLaw::Device };
    let noise_db = if model.terms.noise_withheld {
        notes.push(format!("{name}: its maker keeps the noise to himself; its loss stands for the noise figure"));
        -gain(0)
    } else {
        10.0 * balance::noise_at(&conversion, mixer.ports.if_, IF, &settings)?.figure_single(mixer.ports.rf, RF).log10()
    };
    // worst of what the maker tells, at his own conditions
    let told =
        |m: Measure| model.reference.readings.iter().filter(|r| r.measure == m).map(|r| r.value).min_by(f64::total_cmp);
    let stage = Stage {
        kind: StageKind::Converter,
        gain_db: gain(0),
        noise_db,
        ip3_dbm: told(Measure::InputIp3),
        ip2_dbm: told(Measure::InputIp2),
        p1db_dbm: told(Measure::InputP1db),
        image_gain_db: Some(gain(1)),
        ..Stage::pad(name, 0.0)
    };
    if stage.noise_db < 0.0 {
        return Err(HandoverError::mismatch("a passive mixer", format!("{} dB", stage.noise_db), name).into());
    }
    notes.push(format!(
        "{name}: loss and noise computed from {} at RF {:.3} GHz, LO {:.3} GHz {:+.1} dBm; {}",
        model.name,
        rf_hz / 1e9,
        lo.hz / 1e9,
        lo.dbm,
        if stage.ip3_dbm.is_some() {
            "intercepts and compression are the worst its maker tells"
        } else {
            "a design carries no computed intercepts: pack it to have them here"
        }
    ));
    Ok(stage)
}

/// The row as text.
pub fn text(row: &Row) -> String {
    let mut out = format!("{}: input {:+.1} dBm\n", row.name, row.input_dbm);
    let _ = writeln!(
        out,
        "  {:<22} {:>8} {:>8}   {:>9} {:>9} {:>9} {:>9} {:>9} {:>9}",
        "stage", "gain", "noise", "gain", "noise", "IIP3", "IIP2", "IP1dB", "level"
    );
    let _ = writeln!(
        out,
        "  {:<22} {:>8} {:>8}   {:>9} {:>9} {:>9} {:>9} {:>9} {:>9}",
        "", "dB", "dB", "dB", "dB", "dBm", "dBm", "dBm", "dBm"
    );
    let show = |x: Option<f64>| x.map_or("–".into(), |x| format!("{x:.2}"));
    for (s, c) in row.stages.iter().zip(&row.cumulative) {
        let _ = writeln!(
            out,
            "  {:<22} {:>8.2} {:>8.2}   {:>9.2} {:>9.2} {:>9} {:>9} {:>9} {:>9.2}",
            s.name,
            s.gain_db,
            s.noise_db,
            c.gain_db,
            c.noise_db,
            show(c.ip3_dbm),
            show(c.ip2_dbm),
            show(c.p1db_dbm),
            c.level_dbm
        );
    }
    out.push_str(
        "  left of the gap: each stage; right: from the input to its end; intercepts and compression at the input\n",
    );
    if let Some((s, h)) = row
        .stages
        .iter()
        .zip(&row.cumulative)
        .filter_map(|(s, c)| Some((s, c.headroom_db?)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
    {
        let _ = writeln!(out, "  nearest to its compression: {} with {h:.1} dB left", s.name);
    }
    for note in &row.notes {
        let _ = writeln!(out, "  {note}");
    }
    out
}
