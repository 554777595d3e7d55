//! The model as a Verilog-A module: the rational network as state equations in waves, and the junctions.
//!
//! Input: a model and its rational network. Output: the text of one module with ports LO, RF, IF and a reference node.
//! Equations, per port `p` with reference `R`: incident wave `a = V/√R − b`, outgoing waves `b = C·x + D·v`, current into
//! the network `(V/√R − 2·b)/√R`; states in picosecond time, `dx/dt = A·x + B·a`, one copy of all poles for each port.
//! With the constant `D₀` of the rational network, `b = C₀x + D₀a` was solved beforehand: `C = (1+D₀)⁻¹C₀`,
//! `D = (1+D₀)⁻¹D₀/√R`. A junction conducts from its own node to the reference node: anode there, cathode here.
//! Junctions hold at one temperature; their series resistances and pads are inside the network.
//! Source of the language: Accellera, Verilog-AMS Language Reference Manual (from memory); only nature `electrical`,
//! contributions, `ddt`, `exp`, `pow`, `ln`, conditionals and real variables are used.

use super::fit::{Compared, Fitted};
use super::{Origin, ascii, commented, heading};
use crate::{HandoverError, Model};
use diode::Device;
use network::rational::StateSpace;
use numerics::{CMatrix, Complex64, RMatrix, linear};
use std::fmt::Write as _;

/// Ports of the module in order; the last is the reference node.
pub const PORTS: [&str; 4] = ["p_lo", "p_rf", "p_if", "p_ref"];
/// Unit of time of the states, second.
const STATE_TIME_S: f64 = 1e-12;
/// Exponent above which exponentials go on as their tangent, as inside this program.
const EXPONENT_MAX: f64 = diode::junction::EXPONENT_MAX;
/// Products on a line of a sum.
const ON_A_LINE: usize = 4;

/// Name of the module: letters, digits and `_` of the name of the type.
pub fn module_name(model: &Model) -> String {
    let plain: String =
        model.name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' }).collect();
    let plain = plain.split('_').filter(|p| !p.is_empty()).collect::<Vec<_>>().join("_");
    let plain = if plain.is_empty() { "model".to_owned() } else { plain };
    format!("mixer_{plain}")
}

/// Parameters of a junction at the temperature of the module, in the letters of the module.
struct Letters {
    is_a: f64,
    nvt_v: f64,
    cj_f: f64,
    vj_v: f64,
    m: f64,
    fc: f64,
    tt_s: f64,
    breakdown: Option<(f64, f64, f64)>,
}

fn letters(model: &Model) -> Result<Vec<Letters>, HandoverError> {
    let of = |d: &crate::ModelDiode| {
        let p = &d.parameters;
        let temp_k = model.temp_k + d.rise_k;
        let junction = p.at_temperature(temp_k)?;
        let capacitance = |v: f64| {
            let point = junction.at(v);
            point.capacitance_f - p.tt_s * point.conductance_s
        };
        let cj_f = capacitance(0.0);
        // the temperature law is that of the diode: its built-in voltage follows from two capacitances
        let vj_v = if cj_f > 0.0 && p.m > 0.0 {
            p.vj_v / ((cj_f / capacitance(-p.vj_v)).powf(1.0 / p.m) - 1.0)
        } else {
            p.vj_v
        };
        let vt = quantity::constants::thermal_voltage_v(temp_k);
        Ok(Letters {
            is_a: junction.saturation_current_a(),
            nvt_v: junction.scale_voltage_v(),
            cj_f,
            vj_v,
            m: p.m,
            fc: p.fc,
            tt_s: p.tt_s,
            breakdown: p.breakdown.map(|b| (b.bv_v, b.ibv_a, b.nbv * vt)),
        })
    };
    model.diodes.iter().map(of).collect()
}

/// Text of the module; `compared` is what the error of the fit does to the mixer, told in its head.
///
/// # Errors
/// Diode parameters out of their range; a network that does not fit the model.
pub fn module(model: &Model, fitted: &Fitted, compared: &[Compared], origin: &Origin) -> Result<String, HandoverError> {
    let space = StateSpace::of(&fitted.rational)?;
    let waves = Waves::of(&space, &fitted.reference_ohm)?;
    let order = fitted.rational.order();
    let junctions = letters(model)?;
    let mut out = commented("//", &heading(model, origin, "Verilog-A module"));
    out.push_str(&commented("//", &remarks(model, fitted, compared)));
    out.push_str("\n`include \"disciplines.vams\"\n\n");
    let names = PORTS.join(", ");
    let _ = writeln!(out, "module {}({names});\n  inout {names};\n  electrical {names};", module_name(model));
    let nodes: Vec<String> = (1..=junctions.len()).map(|j| format!("j{j}")).collect();
    let _ = writeln!(out, "  electrical {};  // junctions, anode side", nodes.join(", "));
    for p in 1..=fitted.reference_ohm.len() {
        let states: Vec<String> = (1..=order).map(|k| format!("x{p}_{k}")).collect();
        let _ = writeln!(out, "  electrical {};", wrapped(&states, ", ", 12));
    }
    parameters(&mut out, model, &junctions);
    let numbered = |letters: &[&str], n: usize| {
        let all: Vec<String> = letters.iter().flat_map(|l| (1..=n).map(move |i| format!("{l}{i}"))).collect();
        wrapped(&all, ", ", 12)
    };
    let _ = writeln!(out, "  real {};", numbered(&["a", "b"], fitted.reference_ohm.len()));
    let _ = writeln!(out, "  real {};\n", numbered(&["v", "u", "e", "i", "q", "vk", "qk", "ck"], junctions.len()));
    if junctions.iter().any(|l| l.breakdown.is_some()) {
        let _ = writeln!(out, "  real {};\n", numbered(&["w", "f"], junctions.len()));
    }
    out.push_str("  analog begin\n");
    waves.outgoing(&mut out, order, &voltages(junctions.len()));
    ports(&mut out, fitted, &voltages(junctions.len()));
    states(&mut out, &space, order, fitted.reference_ohm.len());
    for (k, l) in junctions.iter().enumerate() {
        junction(&mut out, k + 1, l, &ascii(&model.diodes[k].name));
    }
    out.push_str("  end\nendmodule\n");
    Ok(out)
}

/// Branch of each port: connectors, then junctions.
fn voltages(junctions: usize) -> Vec<String> {
    let own = (1..=junctions).map(|j| format!("j{j}"));
    PORTS[..3].iter().map(|p| (*p).to_owned()).chain(own).map(|n| format!("{n}, {}", PORTS[3])).collect()
}

fn remarks(model: &Model, fitted: &Fitted, compared: &[Compared]) -> Vec<String> {
    let r = &fitted.report;
    let mut out = vec![
        String::new(),
        "ports: LO, RF, IF, each against p_ref; connect the terminations and sources outside".into(),
        format!(
            "network: {} poles, {} states, fitted from 0 Hz to {} GHz, stable, {}",
            r.poles,
            r.poles * fitted.reference_ohm.len(),
            super::ghz(r.up_to_hz),
            r.passivity_words()
        ),
        format!(
            "error of the scattering matrix: {:.1e} in the mean, {:.1e} at most, at {} GHz; nothing is known above the band",
            r.rms,
            r.worst,
            super::ghz(r.worst_hz)
        ),
        consequence_words(compared),
        format!("slowest state: {:.3} ns; let a transient run some of these before you trust it", 1e9 * r.slowest_s),
        "node potentials x* are the states of the network in volt for root watt, not potentials of the circuit".into(),
        "diodes: currents and charges at one temperature; series resistance, pads and leads are in the network".into(),
        "no noise sources: compute noise from the model package".into(),
    ];
    for (j, d) in model.diodes.iter().enumerate() {
        out.push(format!(
            "junction {}: {} at {:.2} degC, parameters given at {:.2} degC",
            j + 1,
            d.name,
            model.temp_k + d.rise_k - 273.15,
            d.parameters.temp_nominal_k - 273.15
        ));
    }
    out.iter().map(|l| ascii(l)).collect()
}

/// What the error of the fit does to loss and isolation, in one sentence.
pub fn consequence_words(compared: &[Compared]) -> String {
    let mut names: Vec<&str> = compared.iter().map(|c| c.name.as_str()).collect();
    let mut seen = Vec::new();
    names.retain(|n| {
        let new = !seen.contains(n);
        seen.push(n);
        new
    });
    let parts: Vec<String> = names
        .iter()
        .map(|n| {
            let mine = compared.iter().filter(|c| c.name == *n);
            let (worst, unit) = mine.fold((0.0f64, ""), |w, c| (w.0.max(c.difference().abs()), c.unit));
            format!("{n} {worst:.2e} {unit}")
        })
        .collect();
    if parts.is_empty() {
        return "what the error of the fit does to the mixer was not computed".into();
    }
    format!("numbers of the mixer with this network differ from the model by at most: {}", parts.join(", "))
}

fn wrapped(names: &[String], between: &str, on_a_line: usize) -> String {
    let lines: Vec<String> = names.chunks(on_a_line).map(|c| c.join(between)).collect();
    lines.join(&format!("{}\n             ", between.trim_end()))
}

fn parameters(out: &mut String, model: &Model, junctions: &[Letters]) {
    for (k, l) in junctions.iter().enumerate() {
        let k1 = k + 1;
        let name = ascii(&model.diodes[k].name);
        let mut one = |letter: &str, value: f64, what: &str| {
            let _ = writeln!(out, "  parameter real {letter}{k1} = {value:e};  // {what}, {name}");
        };
        one("is", l.is_a, "saturation current, A");
        one("nvt", l.nvt_v, "ideality times thermal voltage, V");
        one("cj", l.cj_f, "zero-bias capacitance, F");
        one("vj", l.vj_v, "built-in voltage, V");
        one("m", l.m, "grading exponent");
        one("fc", l.fc, "start of the tangent of the capacitance, part of vj");
        one("tt", l.tt_s, "transit time, s");
        if let Some((bv, ibv, nbvt)) = l.breakdown {
            one("bv", bv, "breakdown voltage, V");
            one("ibv", ibv, "current there, A");
            one("nbvt", nbvt, "scale of the breakdown, V");
        }
    }
}

/// Outgoing waves from states and voltages.
struct Waves {
    /// Ports by states.
    c: RMatrix,
    /// Ports by voltages.
    d: RMatrix,
}

impl Waves {
    fn of(space: &StateSpace, reference_ohm: &[f64]) -> Result<Self, HandoverError> {
        let n = reference_ohm.len();
        if space.d.n_rows() != n {
            return Err(HandoverError::mismatch(
                format!("{n} ports"),
                space.d.n_rows().to_string(),
                "the rational network",
            ));
        }
        let sum = &RMatrix::identity(n) + &space.d;
        let solved = |b: &RMatrix| -> Result<RMatrix, HandoverError> {
            let x: CMatrix = linear::solve(&sum.map(Complex64::from), &b.map(Complex64::from))
                .map_err(|e| HandoverError::Network(e.into()))?;
            Ok(x.map(|z| z.re))
        };
        let d = solved(&space.d)?;
        let d = RMatrix::from_fn(n, n, |i, j| d[(i, j)] / reference_ohm[j].sqrt());
        Ok(Self { c: solved(&space.c)?, d })
    }

    fn outgoing(&self, out: &mut String, order: usize, voltages: &[String]) {
        let n = self.d.n_rows();
        out.push_str("    // waves leaving the network through each port, root watt\n");
        for i in 0..n {
            let of_state =
                |k: usize| (self.c[(i, k)] * STATE_TIME_S, format!("V(x{}_{})", k / order + 1, k % order + 1));
            let direct = (0..n).map(|j| (self.d[(i, j)], format!("V({})", voltages[j])));
            let _ = writeln!(out, "    b{} = {};", i + 1, sum((0..n * order).map(of_state).chain(direct)));
        }
    }
}

/// `c1*x1 + c2*x2 - …` over lines; terms without weight are left out.
fn sum(terms: impl Iterator<Item = (f64, String)>) -> String {
    let mut out = String::new();
    let mut n = 0;
    for (c, what) in terms.filter(|t| t.0.abs() > 0.0) {
        if n > 0 && n % ON_A_LINE == 0 {
            out.push_str("\n        ");
        }
        let sign = match (n, c < 0.0) {
            (0, false) => "",
            (0, true) => "-",
            (_, false) => " + ",
            (_, true) => " - ",
        };
        let _ = write!(out, "{sign}{:e}*{what}", c.abs());
        n += 1;
    }
    if n == 0 { "0".into() } else { out }
}

/// Waves arriving, and the currents they make with those leaving.
fn ports(out: &mut String, fitted: &Fitted, voltages: &[String]) {
    out.push_str("    // waves arriving at each port, and the current into the network\n");
    for (p, (ohm, v)) in fitted.reference_ohm.iter().zip(voltages).enumerate() {
        let (p, root) = (p + 1, ohm.sqrt());
        let _ = writeln!(out, "    a{p} = V({v})/{root:e} - b{p};");
        let _ = writeln!(out, "    I({v}) <+ V({v})/{ohm:e} - {:e}*b{p};", 2.0 / root);
    }
}

/// Equations of the states, in picosecond time.
fn states(out: &mut String, space: &StateSpace, order: usize, n_ports: usize) {
    out.push_str("    // states of the network: time derivative less what drives it is zero\n");
    for port in 0..n_ports {
        for k in 0..order {
            let row = port * order + k;
            let near = k.saturating_sub(1)..(k + 2).min(order);
            let terms = near
                .map(|j| (space.a[(row, port * order + j)] * STATE_TIME_S, format!("V(x{}_{})", port + 1, j + 1)))
                .chain([(space.b[(row, port)], format!("a{}", port + 1))]);
            // what drives the state leaves the node with a minus sign
            let terms = terms.map(|(c, what)| (-c, what));
            let x = format!("x{}_{}", port + 1, k + 1);
            let drive = sum(terms);
            let joined = if drive.starts_with('-') {
                format!(" {}", drive.replacen('-', "- ", 1))
            } else {
                format!(" + {drive}")
            };
            let _ = writeln!(out, "    I({x}) <+ ddt({STATE_TIME_S:e}*V({x})){joined};");
        }
    }
}

/// Current and charge of a junction.
fn junction(out: &mut String, k: usize, l: &Letters, name: &str) {
    let reference = PORTS[3];
    let _ = writeln!(out, "    // junction {k}: {name}");
    let _ = writeln!(out, "    v{k} = V(j{k}, {reference});\n    u{k} = v{k}/nvt{k};");
    exponential(out, &format!("e{k}"), &format!("u{k}"));
    let _ = writeln!(out, "    i{k} = is{k}*(e{k} - 1);");
    let _ = writeln!(out, "    vk{k} = fc{k}*vj{k};");
    if l.m.total_cmp(&1.0).is_eq() {
        let _ = writeln!(out, "    qk{k} = -cj{k}*vj{k}*ln(1 - fc{k});");
    } else {
        let _ = writeln!(out, "    qk{k} = cj{k}*vj{k}/(1 - m{k})*(1 - pow(1 - fc{k}, 1 - m{k}));");
    }
    let _ = writeln!(out, "    ck{k} = cj{k}*pow(1 - fc{k}, -m{k});");
    let below = if l.m.total_cmp(&1.0).is_eq() {
        format!("-cj{k}*vj{k}*ln(1 - v{k}/vj{k})")
    } else {
        format!("cj{k}*vj{k}/(1 - m{k})*(1 - pow(1 - v{k}/vj{k}, 1 - m{k}))")
    };
    let _ = writeln!(
        out,
        "    if (v{k} < vk{k}) q{k} = {below};\n    else q{k} = qk{k} + (v{k} - vk{k})*ck{k}*(1 + 0.5*m{k}*(v{k} - vk{k})/(vj{k} - vk{k}));"
    );
    let _ = writeln!(out, "    q{k} = q{k} + tt{k}*i{k};");
    if l.breakdown.is_some() {
        let _ = writeln!(out, "    w{k} = -(v{k} + bv{k})/nbvt{k};");
        exponential(out, &format!("f{k}"), &format!("w{k}"));
        let _ = writeln!(out, "    i{k} = i{k} - ibv{k}*(f{k} - exp(-bv{k}/nbvt{k}));");
    }
    let _ = writeln!(out, "    I(j{k}, {reference}) <+ i{k} + ddt(q{k});");
}

/// An exponential that goes on as its tangent where it would overflow.
fn exponential(out: &mut String, result: &str, exponent: &str) {
    let _ = writeln!(
        out,
        "    if ({exponent} > {EXPONENT_MAX}) {result} = exp({EXPONENT_MAX})*(1 + {exponent} - {EXPONENT_MAX});\n    else {result} = exp({exponent});"
    );
}
