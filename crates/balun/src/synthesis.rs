//! From band, impedances and free ranges to dimensions.
//!
//! Steps: 1. the strip-to-strip impedance matches source and load at the centre: `sqrt(source·load)`;
//! 2. for a strip width, the film thickness that gives this impedance, by Newton steps with the derivatives of the
//! cross-section; 3. for both, the length with the best worst-case match, link and vias included; 4. the widest
//! strips that still hold all limits over the band: wide strips lose less and suffer less from width errors, narrow
//! ones raise the impedance of the pair over ground and with it the balance; 5. what one standard deviation of every
//! number does to the result.

use crate::BalunError;
use crate::circuit::{Arrangement, BalunReading, Family, Link};
use lines::{
    LineMatrices, LineSettings, LineSolution, Motion, PairConstants, StackLines, Strip, section_of_stack, solve_lines,
};
use numerics::{RMatrix, parallel};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use quantity::{Checked, Finding};
use stackup::{Freedom, Parameter, Stackup};

/// What is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct BalunRequest {
    /// How the sections are connected.
    pub family: Family,
    /// Lowest and highest frequency, hertz.
    pub band_hz: [f64; 2],
    /// Source resistance, ohm.
    pub source_ohm: f64,
    /// Balanced load resistance, ohm.
    pub load_ohm: f64,
    /// What must hold over the band.
    pub limits: Limits,
    /// Metal layer of the lower strip.
    pub lower_layer: String,
    /// Metal layer of the upper strip.
    pub upper_layer: String,
    /// Dielectric layer between them; its thickness is found when the stack declares it free.
    pub film_layer: String,
    /// Smallest and largest drawn width of the upper strip, metre.
    pub width_m: [f64; 2],
    /// By how much the lower strip is wider on each side, metre.
    pub overlap_m: f64,
    /// Link between the sections.
    pub link: Option<Link>,
    /// Inductance of each ground connection, henry.
    pub via_h: f64,
}

/// What must hold over the band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Smallest return loss, dB.
    pub return_loss_db: f64,
    /// Largest magnitude of the amplitude imbalance, dB.
    pub amplitude_db: f64,
    /// Largest magnitude of the phase imbalance, degree.
    pub phase_deg: f64,
}

impl Limits {
    /// True when the worst of a band holds all of them.
    pub fn hold(&self, worst: &Worst) -> bool {
        worst.return_loss_db >= self.return_loss_db
            && worst.amplitude_db <= self.amplitude_db
            && worst.phase_deg <= self.phase_deg
    }
}

/// What one standard deviation of a number does.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensitivity {
    /// The number, for example `film 1 thickness`.
    pub name: String,
    /// Its standard deviation, in its own unit.
    pub sd: f64,
    /// Change of the strip-to-strip impedance, ohm.
    pub strip_to_strip_ohm: f64,
    /// Change of the pair over ground, ohm.
    pub pair_over_ground_ohm: f64,
    /// Change of the worst return loss in the band, dB.
    pub return_loss_db: f64,
    /// Change of the worst amplitude imbalance, dB.
    pub amplitude_db: f64,
    /// Change of the worst phase imbalance, degree.
    pub phase_deg: f64,
}

/// The worst of a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worst {
    /// Smallest return loss, dB.
    pub return_loss_db: f64,
    /// Largest loss, dB.
    pub loss_db: f64,
    /// Largest magnitude of the amplitude imbalance, dB.
    pub amplitude_db: f64,
    /// Largest magnitude of the phase imbalance, degree.
    pub phase_deg: f64,
}

/// Strips of some width with the film that gives them their impedance, at their best length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// Drawn width of the upper strip, metre.
    pub upper_width_m: f64,
    /// Thickness of the film, metre.
    pub film_m: f64,
    /// Length of a section, metre.
    pub length_m: f64,
    /// The worst of the band.
    pub worst: Worst,
}

/// A balun with its dimensions and what it will do.
#[derive(Debug, Clone)]
pub struct BalunDesign {
    /// Strip-to-strip impedance asked of the lines, ohm.
    pub wanted_ohm: f64,
    /// The stack with the chosen film thickness.
    pub stack: Stackup,
    /// Thickness of the film, metre.
    pub film_m: f64,
    /// Drawn width of the lower strip, metre.
    pub lower_width_m: f64,
    /// Drawn width of the upper strip, metre.
    pub upper_width_m: f64,
    /// Connection and length of the sections.
    pub arrangement: Arrangement,
    /// Solved lines, lower then upper.
    pub lines: LineSolution,
    /// Their constants as a pair.
    pub pair: PairConstants,
    /// Prediction over the band.
    pub readings: Vec<BalunReading>,
    /// The worst of it.
    pub worst: Worst,
    /// Return loss held over this part of the band around the centre, hertz; `None` when not even there.
    pub held_band_hz: Option<[f64; 2]>,
    /// What every spread does, largest change of return loss first.
    pub sensitivities: Vec<Sensitivity>,
    /// What other widths would do, narrow first: between the narrowest and widest that a film of its range allows.
    pub choices: Vec<Choice>,
    /// Cross-sections solved on the way.
    pub sections_solved: usize,
}

/// Points over the band.
const POINTS: usize = 41;
/// Widths between the narrowest and the widest at which the choice is shown.
const CHOICES: usize = 7;
/// Frequencies at which losses are solved; six leave less than 1e-5 over two octaves.
const NODES: usize = 6;
/// Relative distance of the impedance from its goal at which a dimension is found: below any process spread.
const IMPEDANCE_TOLERANCE: f64 = 1e-4;
/// Steps at most.
const STEPS_MAX: usize = 20;
/// Largest change of the logarithm of a dimension in a step.
const STEP_MAX: f64 = 0.7;
/// Relative width to which the widest strips are found: below any mask grid.
const WIDTH_TOLERANCE: f64 = 2e-3;

/// Finds the balun.
pub fn synthesise(stack: &Stackup, request: &BalunRequest) -> Result<Checked<BalunDesign>, BalunError> {
    check(request)?;
    let mut search = Search::new(stack, request)?;
    let [narrow, wide] = search.width_range()?;
    let mut findings = Vec::new();
    let candidate = search.widest(narrow, wide, &mut findings)?;
    let choices = search.choices(narrow, wide)?;
    let Candidate { found, matrices, arrangement, readings, worst } = candidate;
    let sensitivities = sensitivities(&found, request, &arrangement, &matrices, &worst)?;
    let design = BalunDesign {
        wanted_ohm: search.wanted_ohm,
        film_m: found.film_m,
        lower_width_m: found.width_m + 2.0 * request.overlap_m,
        upper_width_m: found.width_m,
        arrangement,
        pair: found.pair(),
        held_band_hz: held_band(&readings, request.limits.return_loss_db),
        readings,
        worst,
        sensitivities,
        choices,
        sections_solved: search.solved,
        stack: found.stack,
        lines: found.lines,
    };
    Ok(Checked { value: design, findings })
}

fn check(request: &BalunRequest) -> Result<(), BalunError> {
    let refuse =
        |what, expected: &str, found: String| Err(BalunError::Requirement { what, expected: expected.into(), found });
    let [low, high] = request.band_hz;
    if !(low > 0.0 && high > low && high.is_finite()) {
        return refuse("band", "0 < low < high", format!("{low} Hz to {high} Hz"));
    }
    if !(request.source_ohm > 0.0 && request.load_ohm > 0.0) {
        return refuse("source and load", "above zero", format!("{} and {} ohm", request.source_ohm, request.load_ohm));
    }
    let [narrow, wide] = request.width_m;
    if !(narrow > 0.0 && wide >= narrow && request.overlap_m >= 0.0) {
        return refuse("widths", "0 < narrowest ≤ widest, overlap 0 or more", format!("{narrow} m to {wide} m"));
    }
    let limits = &request.limits;
    if !(limits.return_loss_db > 0.0 && limits.amplitude_db > 0.0 && limits.phase_deg > 0.0) {
        return refuse("limits", "all above zero", format!("{limits:?}"));
    }
    Ok(())
}

fn band_points([low, high]: [f64; 2]) -> Vec<f64> {
    (0..POINTS).map(|i| low + (high - low) * i as f64 / (POINTS - 1) as f64).collect()
}

/// Lines of some film and width.
struct Found {
    stack: Stackup,
    section: StackLines,
    lines: LineSolution,
    film_m: f64,
    width_m: f64,
}

impl Found {
    fn pair(&self) -> PairConstants {
        PairConstants::of(&self.lines.l_h_per_m, &self.lines.c_f_per_m)
    }
}

/// Lines with the best length and what they do.
struct Candidate {
    found: Found,
    matrices: Vec<LineMatrices>,
    arrangement: Arrangement,
    readings: Vec<BalunReading>,
    worst: Worst,
}

/// The dimension that is varied to meet the impedance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Free {
    Film,
    Width,
}

struct Search<'a> {
    stack: &'a Stackup,
    request: &'a BalunRequest,
    wanted_ohm: f64,
    film: Parameter,
    film_range: [f64; 2],
    freqs: Vec<f64>,
    tried: Vec<Choice>,
    solved: usize,
}

impl<'a> Search<'a> {
    fn new(stack: &'a Stackup, request: &'a BalunRequest) -> Result<Self, BalunError> {
        let film = Parameter::Thickness(stack.layer(&request.film_layer)?);
        let dimension = stack.dimension(film).expect("the layer exists");
        let film_range = match dimension.freedom {
            Freedom::Fixed => [dimension.nominal; 2],
            Freedom::Free { min, max } => [min, max],
        };
        let wanted_ohm = (request.source_ohm * request.load_ohm).sqrt();
        let freqs = band_points(request.band_hz);
        Ok(Self { stack, request, wanted_ohm, film, film_range, freqs, tried: Vec::new(), solved: 0 })
    }

    fn solve(&mut self, film_m: f64, width_m: f64) -> Result<Found, BalunError> {
        self.solved += 1;
        let mut stack = self.stack.clone();
        let number = stack.dimension_mut(self.film).expect("the layer exists");
        *number = number.chosen(film_m);
        // the search may look beyond the range to learn on which side it lies
        let freedom = number.freedom;
        number.freedom = Freedom::Fixed;
        let strips = strips(self.request, width_m);
        let section = section_of_stack(&stack, &strips, None)?;
        if let Some(number) = stack.dimension_mut(self.film) {
            number.freedom = freedom;
        }
        let (lines, _) = solve_lines(section.section(), &LineSettings::default())?;
        Ok(Found { stack, section, lines, film_m, width_m })
    }

    /// Varies one dimension until the strip-to-strip impedance is met.
    fn meet(&mut self, free: Free, mut film_m: f64, mut width_m: f64) -> Result<Found, BalunError> {
        let mut residual = f64::INFINITY;
        for _ in 0..STEPS_MAX {
            let found = self.solve(film_m, width_m)?;
            let miss = (found.pair().strip_to_strip_ohm / self.wanted_ohm).ln();
            residual = miss.abs();
            if residual < IMPEDANCE_TOLERANCE {
                return Ok(found);
            }
            let (motion, size) = match free {
                Free::Film => (film_motion(&found, self.film)?, film_m),
                Free::Width => (width_motion(&found), width_m),
            };
            let factor = (-miss / log_slope(&found, &motion, size)?).clamp(-STEP_MAX, STEP_MAX).exp();
            match free {
                Free::Film => film_m *= factor,
                Free::Width => width_m *= factor,
            }
        }
        Err(BalunError::NotConverged { iterations: STEPS_MAX, residual })
    }

    /// Widths for which a film of the free range meets the impedance: wider strips need a thicker film.
    fn width_range(&mut self) -> Result<[f64; 2], BalunError> {
        let [thin, thick] = self.film_range;
        let [narrow, wide] = self.request.width_m;
        let goal = self.wanted_ohm;
        let mut ohm = |film, width| Ok::<f64, BalunError>(self.solve(film, width)?.pair().strip_to_strip_ohm);
        let (low_ohm, high_ohm) = (ohm(thin, wide)?, ohm(thick, narrow)?);
        if goal < low_ohm || goal > high_ohm {
            return Err(BalunError::Range { wanted_ohm: goal, low_ohm, high_ohm });
        }
        let (thin_narrow, thick_wide) = (ohm(thin, narrow)?, ohm(thick, wide)?);
        let middle = (narrow * wide).sqrt();
        let from = if thin_narrow > goal { self.meet(Free::Width, thin, middle)?.width_m } else { narrow };
        let to = if thick_wide < goal { self.meet(Free::Width, thick, middle)?.width_m } else { wide };
        Ok([from, to])
    }

    fn candidate(&mut self, width_m: f64, film_m: f64) -> Result<Candidate, BalunError> {
        let fixed = self.film_range[0] == self.film_range[1];
        let found =
            if fixed { self.solve(self.film_range[0], width_m)? } else { self.meet(Free::Film, film_m, width_m)? };
        let matrices = over_band(&found.lines, &self.freqs)?;
        let arrangement = best_length(self.request, &found.lines, &matrices)?;
        let readings = arrangement.readings(&matrices)?;
        let worst = Worst::of(&readings);
        let length_m = arrangement.length_m;
        self.tried.push(Choice { upper_width_m: found.width_m, film_m: found.film_m, length_m, worst });
        Ok(Candidate { found, matrices, arrangement, readings, worst })
    }

    /// Everything tried, and as many widths in even ratios that the whole range is seen.
    fn choices(&mut self, narrow: f64, wide: f64) -> Result<Vec<Choice>, BalunError> {
        if wide > narrow {
            for k in 1..CHOICES - 1 {
                let width_m = narrow * (wide / narrow).powf(k as f64 / (CHOICES - 1) as f64);
                let near = |c: &&Choice| (c.upper_width_m / width_m).ln().abs();
                let film_m = self.tried.iter().min_by(|a, b| near(a).total_cmp(&near(b))).map_or(width_m, |c| c.film_m);
                self.candidate(width_m, film_m)?;
            }
        }
        let mut all = self.tried.clone();
        all.sort_by(|a, b| a.upper_width_m.total_cmp(&b.upper_width_m));
        all.dedup_by(|b, a| b.upper_width_m.total_cmp(&a.upper_width_m).is_eq());
        Ok(all)
    }

    /// The widest strips that hold the limits; the narrowest with a remark when none do.
    fn widest(&mut self, narrow: f64, wide: f64, findings: &mut Vec<Finding>) -> Result<Candidate, BalunError> {
        let limits = self.request.limits;
        let start = (self.film_range[0] * self.film_range[1]).sqrt();
        let mut good = self.candidate(narrow, start)?;
        if !limits.hold(&good.worst) {
            let text = format!(
                "the narrowest strips, {:.2} um, do not hold all limits: {:?} against {limits:?}; allow narrower strips, \
                 a thicker base or a smaller band",
                narrow * 1e6,
                good.worst
            );
            findings.push(Finding::warning("balun", text));
            return Ok(good);
        }
        let widest = self.candidate(wide, start)?;
        if limits.hold(&widest.worst) {
            if wide > narrow {
                let text = format!("the widest allowed strips, {:.2} um, hold all limits", wide * 1e6);
                findings.push(Finding::note("balun", text));
            }
            return Ok(widest);
        }
        let (mut low, mut high) = (narrow, wide);
        while high / low > 1.0 + WIDTH_TOLERANCE {
            let middle = (low * high).sqrt();
            let next = self.candidate(middle, good.found.film_m)?;
            if limits.hold(&next.worst) {
                (low, good) = (middle, next);
            } else {
                high = middle;
            }
        }
        Ok(good)
    }
}

/// Matrices at rising frequencies: solved at [`NODES`] of them, in between interpolated over the square root of the
/// frequency, in which skin effect is smooth.
fn over_band(lines: &LineSolution, freqs: &[f64]) -> Result<Vec<LineMatrices>, BalunError> {
    let (low, high) = (freqs[0].sqrt(), freqs[freqs.len() - 1].sqrt());
    let place = |k: usize| (std::f64::consts::PI * (k as f64 + 0.5) / NODES as f64).cos();
    let nodes: Vec<f64> = (0..NODES).map(|k| 0.5 * (low + high) + 0.5 * (high - low) * place(k)).collect();
    let known = parallel::map(&nodes, |&x| lines.at(x * x))?;
    let at = |f: f64| {
        let weight = |k: usize| -> f64 {
            let others = (0..NODES).filter(|&m| m != k);
            others.map(|m| (f.sqrt() - nodes[m]) / (nodes[k] - nodes[m])).product()
        };
        let weights: Vec<f64> = (0..NODES).map(weight).collect();
        let sum = |entry: fn(&LineMatrices) -> &RMatrix| {
            RMatrix::from_fn(2, 2, |i, j| weights.iter().zip(&known).map(|(w, m)| w * entry(m)[(i, j)]).sum())
        };
        LineMatrices { freq_hz: f, r: sum(|m| &m.r), l: sum(|m| &m.l), g: sum(|m| &m.g), c: sum(|m| &m.c) }
    };
    Ok(freqs.iter().map(|&f| at(f)).collect())
}

fn strips(request: &BalunRequest, width_m: f64) -> [Strip; 2] {
    let lower = Strip::line("lower", &request.lower_layer, 0.0, width_m + 2.0 * request.overlap_m);
    [lower, Strip::line("upper", &request.upper_layer, 0.0, width_m)]
}

fn film_motion(found: &Found, film: Parameter) -> Result<Motion, BalunError> {
    Ok(found.section.motion(film)?)
}

/// Both strips grow alike.
fn width_motion(found: &Found) -> Motion {
    let mut motion = found.section.width_motion(0);
    motion.corners[1].clone_from(&found.section.width_motion(1).corners[1]);
    motion
}

/// Slope of the logarithm of the strip-to-strip impedance by the logarithm of a dimension.
fn log_slope(found: &Found, motion: &Motion, size: f64) -> Result<f64, BalunError> {
    let d = found.lines.derivative(motion)?;
    // the pair constants are smooth functions of L and C: a step of 1e-5 leaves ten digits of slope
    let step = 1e-5;
    let (l, c) = (&found.lines.l_h_per_m, &found.lines.c_f_per_m);
    let moved = PairConstants::of(&shifted(l, &d.l, step * size), &shifted(c, &d.c, step * size));
    Ok((moved.strip_to_strip_ohm / found.pair().strip_to_strip_ohm).ln() / step)
}

fn shifted(m: &RMatrix, d: &RMatrix, step: f64) -> RMatrix {
    RMatrix::from_fn(2, 2, |i, j| m[(i, j)] + d[(i, j)] * step)
}

/// The length with the best worst-case return loss, by golden section around a quarter wave.
fn best_length(
    request: &BalunRequest,
    lines: &LineSolution,
    matrices: &[LineMatrices],
) -> Result<Arrangement, BalunError> {
    let pair = PairConstants::of(&lines.l_h_per_m, &lines.c_f_per_m);
    let centre = 0.5 * (request.band_hz[0] + request.band_hz[1]);
    let eps = 0.5 * (pair.strip_to_strip_eps + pair.pair_over_ground_eps);
    let quarter_m = LIGHT_SPEED_M_PER_S / (4.0 * centre * eps.sqrt());
    let of = |length_m: f64| Arrangement {
        family: request.family,
        length_m,
        link: request.link,
        via_h: request.via_h,
        source_ohm: request.source_ohm,
        load_ohm: request.load_ohm,
    };
    let quality =
        |length_m: f64| -> Result<f64, BalunError> { Ok(Worst::of(&of(length_m).readings(matrices)?).return_loss_db) };
    // the quality has one peak here; a coarse scan finds it, golden section sharpens it to 1e-4
    let scan: Vec<f64> = (0..=20).map(|i| quarter_m * (0.7 + 0.025 * f64::from(i))).collect();
    let values = scan.iter().map(|&x| quality(x)).collect::<Result<Vec<_>, _>>()?;
    let peak = (0..scan.len()).max_by(|&i, &j| values[i].total_cmp(&values[j])).expect("a scan");
    let (mut a, mut b) = (scan[peak.saturating_sub(1)], scan[(peak + 1).min(scan.len() - 1)]);
    let golden = 0.618_033_988_75;
    while b - a > 1e-4 * quarter_m {
        let (x, y) = (b - golden * (b - a), a + golden * (b - a));
        if quality(x)? > quality(y)? { b = y } else { a = x }
    }
    Ok(of(0.5 * (a + b)))
}

impl Worst {
    /// The worst of some readings.
    pub fn of(readings: &[BalunReading]) -> Self {
        let largest = |f: fn(&BalunReading) -> f64| readings.iter().map(f).fold(f64::NEG_INFINITY, f64::max);
        Self {
            return_loss_db: -largest(|r| -r.return_loss_db),
            loss_db: largest(|r| r.loss_db),
            amplitude_db: largest(|r| r.amplitude_db.abs()),
            phase_deg: largest(|r| r.phase_deg.abs()),
        }
    }
}

/// The run of points around the centre that holds the return loss.
fn held_band(readings: &[BalunReading], wanted_db: f64) -> Option<[f64; 2]> {
    let holds = |r: &&BalunReading| r.return_loss_db >= wanted_db;
    let centre = readings.len() / 2;
    let low = readings[..=centre].iter().rev().take_while(holds).last()?;
    let high = readings[centre..].iter().take_while(holds).last()?;
    Some([low.freq_hz, high.freq_hz])
}

fn sensitivities(
    found: &Found,
    request: &BalunRequest,
    arrangement: &Arrangement,
    matrices: &[LineMatrices],
    worst: &Worst,
) -> Result<Vec<Sensitivity>, BalunError> {
    let base = found.pair();
    let mut out = Vec::new();
    for parameter in found.stack.parameters() {
        let dimension = found.stack.dimension(parameter).expect("listed");
        // sections end in y by their length; losses are not differentiated
        let idle =
            matches!(parameter, Parameter::Registration(_, 1) | Parameter::LossTangent(_) | Parameter::Conductivity(_));
        if dimension.sd == 0.0 || idle {
            continue;
        }
        let (dl, dc) = match parameter {
            // registration acts in second order: solve the shifted section
            Parameter::Registration(..) => by_new_solution(found, request, parameter, dimension.sd)?,
            _ => {
                let d = found.lines.derivative(&found.section.motion(parameter)?)?;
                (d.l.map(|x| x * dimension.sd), d.c.map(|x| x * dimension.sd))
            }
        };
        let pair =
            PairConstants::of(&shifted(&found.lines.l_h_per_m, &dl, 1.0), &shifted(&found.lines.c_f_per_m, &dc, 1.0));
        let moved: Vec<LineMatrices> = matrices
            .iter()
            .map(|m| LineMatrices { l: shifted(&m.l, &dl, 1.0), c: shifted(&m.c, &dc, 1.0), ..m.clone() })
            .collect();
        let with = Worst::of(&arrangement.readings(&moved)?);
        out.push(Sensitivity {
            name: found.stack.parameter_name(parameter),
            sd: dimension.sd,
            strip_to_strip_ohm: pair.strip_to_strip_ohm - base.strip_to_strip_ohm,
            pair_over_ground_ohm: pair.pair_over_ground_ohm - base.pair_over_ground_ohm,
            return_loss_db: with.return_loss_db - worst.return_loss_db,
            amplitude_db: with.amplitude_db - worst.amplitude_db,
            phase_deg: with.phase_deg - worst.phase_deg,
        });
    }
    out.sort_by(|a, b| b.return_loss_db.abs().total_cmp(&a.return_loss_db.abs()));
    Ok(out)
}

/// Changes of L and C when a number of the stack moves by `step`, from a new solution.
fn by_new_solution(
    found: &Found,
    request: &BalunRequest,
    parameter: Parameter,
    step: f64,
) -> Result<(RMatrix, RMatrix), BalunError> {
    let mut stack = found.stack.clone();
    let number = stack.dimension_mut(parameter).expect("listed");
    number.nominal += step;
    number.freedom = Freedom::Fixed;
    let section = section_of_stack(&stack, &strips(request, found.width_m), None)?;
    let (lines, _) = solve_lines(section.section(), &LineSettings::default())?;
    let base = &found.lines;
    Ok((shifted(&lines.l_h_per_m, &base.l_h_per_m, -1.0), shifted(&lines.c_f_per_m, &base.c_f_per_m, -1.0)))
}
