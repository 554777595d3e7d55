//! Shapes from design numbers: traces, coupled sections, stubs, folds, tapers, pads, via fields, diode sites, launches.
//!
//! Every generator refuses numbers from which no shape can be made and says which.

use crate::layout::{Port, PortPlace, Shape, Side, Terminal, Via};
use crate::{Point, Polygon, StackupError};

/// What happens on the outside of a bend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Corner {
    /// Both edges run to their crossing.
    Sharp,
    /// This share of the diagonal, from the outer corner, is cut off (0 to 0.9).
    Mitred(f64),
}

impl Corner {
    /// Mitre that compensates a right-angled bend of a strip over ground best, for width over height 0.25 and more.
    ///
    /// Share `0.52 + 0.65 exp(−1.35 w/h)` of the diagonal. Source: R. J. P. Douville, D. S. James, "Experimental study of
    /// symmetric microstrip bends and their compensation", IEEE Trans. MTT-26 (1978) 175-182 (memory).
    pub fn compensated(width_m: f64, height_m: f64) -> Self {
        Self::Mitred((0.52 + 0.65 * (-1.35 * width_m / height_m).exp()).min(0.9))
    }
}

fn refuse<T>(what: &str, fault: String) -> Result<T, StackupError> {
    Err(StackupError::Shape { what: what.into(), fault })
}

/// Constant-width strip along a centre line, both ends lengthened by `extension_m`.
pub fn trace(axis: &[Point], width_m: f64, corner: Corner, extension_m: f64) -> Result<Polygon, StackupError> {
    if axis.len() < 2 || width_m.is_nan() || width_m <= 0.0 {
        return refuse(
            "trace",
            format!("expected two points or more and a width, found {} and {width_m} m", axis.len()),
        );
    }
    let mut axis = axis.to_vec();
    axis.dedup();
    let n = axis.len();
    if n < 2 {
        return refuse("trace", "expected different points".into());
    }
    let direction = |i: usize| unit(axis[i], axis[i + 1]);
    let (first, last) = (direction(0), direction(n - 2));
    axis[0] = along(axis[0], first, -extension_m);
    axis[n - 1] = along(axis[n - 1], last, extension_m);
    let half = 0.5 * width_m;
    let (mut left, mut right) = (vec![beside(axis[0], first, half)], vec![beside(axis[0], first, -half)]);
    for i in 1..n - 1 {
        let (before, after) = (unit(axis[i - 1], axis[i]), unit(axis[i], axis[i + 1]));
        let cos = before[0] * after[0] + before[1] * after[1];
        if cos < -0.99 {
            return refuse("trace", format!("expected bends below 170 degree, found one at point {i} that turns back"));
        }
        let left_turn = before[0] * after[1] - before[1] * after[0] > 0.0;
        // crossing of the two edges on one side of the axis
        let reach = half / (0.5 * (1.0 + cos)).sqrt();
        let across = unit([0.0; 2], [-(before[1] + after[1]), before[0] + after[0]]);
        let (l, r) = (along(axis[i], across, reach), along(axis[i], across, -reach));
        let (inner, outer, (inside, outside)) =
            if left_turn { (l, r, (&mut left, &mut right)) } else { (r, l, (&mut right, &mut left)) };
        inside.push(inner);
        match corner {
            Corner::Sharp => outside.push(outer),
            Corner::Mitred(share) => {
                // a cut of this share of the diagonal meets the edges this far from the corner
                let diagonal = 2.0 * reach;
                let cut = share.clamp(0.0, 0.9) * diagonal / (0.5 * (1.0 - cos)).sqrt().max(1e-9);
                let room = 0.5 * distance(axis[i - 1], axis[i]).min(distance(axis[i], axis[i + 1]));
                let cut = cut.min(room);
                outside.push(along(outer, before, -cut));
                outside.push(along(outer, after, cut));
            }
        }
    }
    left.push(beside(axis[n - 1], last, half));
    right.push(beside(axis[n - 1], last, -half));
    right.reverse();
    left.extend(right);
    Polygon::new(&left)
}

fn unit(a: Point, b: Point) -> Point {
    let d = distance(a, b);
    [(b[0] - a[0]) / d, (b[1] - a[1]) / d]
}

fn distance(a: Point, b: Point) -> f64 {
    (b[0] - a[0]).hypot(b[1] - a[1])
}

fn along(p: Point, d: Point, by: f64) -> Point {
    [p[0] + by * d[0], p[1] + by * d[1]]
}

/// Point to the left of a direction.
fn beside(p: Point, d: Point, by: f64) -> Point {
    [p[0] - by * d[1], p[1] + by * d[0]]
}

/// Length of a centre line, metre.
pub fn axis_length_m(axis: &[Point]) -> f64 {
    axis.windows(2).map(|w| distance(w[0], w[1])).sum()
}

/// Centre line folded into runs side by side, of exactly the given total length.
///
/// Starts at `from` going +x; `runs` runs at distance `pitch_m`, upwards for a positive pitch.
pub fn folded_axis(from: Point, length_m: f64, runs: usize, pitch_m: f64) -> Result<Vec<Point>, StackupError> {
    if runs == 0 || pitch_m == 0.0 {
        return refuse("fold", format!("expected one run or more and a pitch, found {runs} and {pitch_m} m"));
    }
    let run_m = (length_m - (runs - 1) as f64 * pitch_m.abs()) / runs as f64;
    if run_m <= 0.0 {
        let fault =
            format!("expected a length above that of the turns, found {length_m} m for {runs} runs at {pitch_m} m");
        return refuse("fold", fault);
    }
    let mut axis = vec![from];
    for run in 0..runs {
        let y = from[1] + run as f64 * pitch_m;
        let (start, end) = if run % 2 == 0 { (from[0], from[0] + run_m) } else { (from[0] + run_m, from[0]) };
        if run > 0 {
            axis.push([start, y]);
        }
        axis.push([end, y]);
    }
    Ok(axis)
}

/// A strip of one coupled section.
#[derive(Debug, Clone, PartialEq)]
pub struct CoupledStrip {
    /// Metal layer.
    pub layer: String,
    /// Name of the shape.
    pub name: String,
    /// Width, metre.
    pub width_m: f64,
    /// Distance of its centre line to the left of the common axis, metre.
    pub offset_m: f64,
}

/// Strips along one axis, stacked or side by side.
pub fn coupled_section(axis: &[Point], strips: &[CoupledStrip], corner: Corner) -> Result<Vec<Shape>, StackupError> {
    let one = |strip: &CoupledStrip| {
        let shifted = offset_axis(axis, strip.offset_m)?;
        let polygon = trace(&shifted, strip.width_m, corner, 0.0)?;
        Ok(Shape { layer: strip.layer.clone(), name: strip.name.clone(), polygon })
    };
    strips.iter().map(one).collect()
}

/// A centre line moved to its left, bends included.
fn offset_axis(axis: &[Point], by: f64) -> Result<Vec<Point>, StackupError> {
    if by == 0.0 || axis.len() < 2 {
        return Ok(axis.to_vec());
    }
    let n = axis.len();
    let direction = |i: usize| unit(axis[i], axis[i + 1]);
    let mut out = vec![beside(axis[0], direction(0), by)];
    for (i, corner) in axis.iter().enumerate().take(n - 1).skip(1) {
        let (a, b) = (direction(i - 1), direction(i));
        let cos = a[0] * b[0] + a[1] * b[1];
        let across = unit([0.0; 2], [-(a[1] + b[1]), a[0] + b[0]]);
        out.push(along(*corner, across, by / (0.5 * (1.0 + cos)).sqrt()));
    }
    out.push(beside(axis[n - 1], direction(n - 2), by));
    Ok(out)
}

/// Straight stub from `from` in a direction (degree from +x), overlapping its root by half the root's width.
pub fn stub(from: Point, angle_deg: f64, length_m: f64, width_m: f64) -> Result<Polygon, StackupError> {
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    trace(&[from, along(from, [cos, sin], length_m)], width_m, Corner::Sharp, 0.0)
}

/// Straight taper between two points of different widths.
pub fn taper(from: Point, from_width_m: f64, to: Point, to_width_m: f64) -> Result<Polygon, StackupError> {
    if from == to || from_width_m <= 0.0 || to_width_m <= 0.0 {
        return refuse("taper", format!("expected two places and widths, found {from_width_m} m and {to_width_m} m"));
    }
    let d = unit(from, to);
    let (a, b) = (0.5 * from_width_m, 0.5 * to_width_m);
    Polygon::new(&[beside(from, d, -a), beside(to, d, -b), beside(to, d, b), beside(from, d, a)])
}

/// Rectangular pad around a centre.
pub fn pad(centre: Point, size_m: [f64; 2]) -> Result<Polygon, StackupError> {
    let [w, h] = size_m;
    Polygon::rectangle([centre[0] - 0.5 * w, centre[1] - 0.5 * h], [centre[0] + 0.5 * w, centre[1] + 0.5 * h])
}

/// Kind of vias of a field.
#[derive(Debug, Clone, PartialEq)]
pub struct ViaKind {
    /// Lower layer.
    pub from: String,
    /// Upper layer.
    pub to: String,
    /// Metal.
    pub material: String,
    /// Diameter, metre.
    pub diameter_m: f64,
    /// Corners of the polygon that stands for the circle.
    pub n_corners: usize,
}

/// As many vias as fit between two opposite corners at the given pitch, centred.
pub fn via_field(name: &str, low: Point, high: Point, pitch_m: f64, kind: &ViaKind) -> Result<Vec<Via>, StackupError> {
    if pitch_m < kind.diameter_m {
        return refuse(
            "via field",
            format!("expected a pitch above the diameter {} m, found {pitch_m} m", kind.diameter_m),
        );
    }
    let count = |k: usize| {
        let room = high[k] - low[k] - kind.diameter_m;
        // a billionth of a pitch is rounding
        if room < 0.0 { 0 } else { (room / pitch_m + 1e-9).floor() as usize + 1 }
    };
    let [nx, ny] = [count(0), count(1)];
    if nx * ny == 0 {
        return refuse("via field", format!("expected room for one via of {} m, found none", kind.diameter_m));
    }
    let place = |k: usize, i: usize, n: usize| 0.5 * (low[k] + high[k]) + (i as f64 - 0.5 * (n - 1) as f64) * pitch_m;
    let mut vias = Vec::with_capacity(nx * ny);
    for j in 0..ny {
        for i in 0..nx {
            let centre = [place(0, i, nx), place(1, j, ny)];
            vias.push(Via {
                name: format!("{name} {}", j * nx + i),
                from: kind.from.clone(),
                to: kind.to.clone(),
                polygon: Polygon::disc(centre, 0.5 * kind.diameter_m, kind.n_corners)?,
                material: kind.material.clone(),
            });
        }
    }
    Ok(vias)
}

/// Two pads facing each other over a gap, for a diode or another part, with the internal port between them.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// The pads: anode side, cathode side.
    pub pads: [Shape; 2],
    /// Port from anode (plus) to cathode (minus).
    pub port: Port,
}

/// Numbers of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteNumbers {
    /// Name of port and pads.
    pub name: String,
    /// Metal layer.
    pub layer: String,
    /// Middle of the gap.
    pub centre: Point,
    /// Direction from anode to cathode, degree from +x.
    pub angle_deg: f64,
    /// Distance between the pads, metre.
    pub gap_m: f64,
    /// Length along and width across of each pad, metre.
    pub pad_m: [f64; 2],
    /// Reference impedance of the port, ohm.
    pub reference_ohm: f64,
}

/// Pads and port of a diode site.
pub fn diode_site(n: &SiteNumbers) -> Result<Site, StackupError> {
    let (sin, cos) = n.angle_deg.to_radians().sin_cos();
    let at = |x: f64, y: f64| [n.centre[0] + cos * x - sin * y, n.centre[1] + sin * x + cos * y];
    let (near, far, half) = (0.5 * n.gap_m, 0.5 * n.gap_m + n.pad_m[0], 0.5 * n.pad_m[1]);
    let side = |sign: f64, word: &str| -> Result<Shape, StackupError> {
        let corners = [at(sign * near, -half), at(sign * far, -half), at(sign * far, half), at(sign * near, half)];
        Ok(Shape { layer: n.layer.clone(), name: format!("{} {word}", n.name), polygon: Polygon::new(&corners)? })
    };
    let terminal = |x: f64| Terminal { layer: n.layer.clone(), edge: [at(x, -half), at(x, half)] };
    let place = PortPlace::Gap { plus: terminal(-near), minus: terminal(near) };
    Ok(Site {
        pads: [side(-1.0, "anode")?, side(1.0, "cathode")?],
        port: Port { name: n.name.clone(), place, reference_ohm: n.reference_ohm },
    })
}

/// How a launch reaches the outside.
#[derive(Debug, Clone, PartialEq)]
pub enum Outside {
    /// The line runs to the side wall.
    Line {
        /// Width at the wall, metre.
        width_m: f64,
    },
    /// A pad at the edge with a port to the ground below it: bond wire or filled via stand outside or are placed on it.
    Pad {
        /// Length along the line and width, metre.
        pad_m: [f64; 2],
        /// Distance of the pad from the edge, metre.
        from_edge_m: f64,
    },
}

/// Numbers of an edge launch.
#[derive(Debug, Clone, PartialEq)]
pub struct LaunchNumbers {
    /// Name of the port.
    pub name: String,
    /// Metal layer.
    pub layer: String,
    /// Ground layer for a port at a pad.
    pub ground: String,
    /// Side wall.
    pub side: Side,
    /// Place of the wall along its normal, metre.
    pub wall_m: f64,
    /// Place along the wall, metre.
    pub centre_m: f64,
    /// Distance from the wall to where the inner line begins, metre.
    pub depth_m: f64,
    /// Width of the inner line, metre.
    pub inner_width_m: f64,
    /// The outside.
    pub outside: Outside,
    /// Reference impedance, ohm.
    pub reference_ohm: f64,
}

/// Shapes and port of an edge launch: pad or line at the edge, then a taper to the inner line.
pub fn edge_launch(n: &LaunchNumbers) -> Result<(Vec<Shape>, Port), StackupError> {
    // inwards from the wall
    let inward = match n.side {
        Side::West => [1.0, 0.0],
        Side::East => [-1.0, 0.0],
        Side::South => [0.0, 1.0],
        Side::North => [0.0, -1.0],
    };
    let foot = if inward[0] == 0.0 { [n.centre_m, n.wall_m] } else { [n.wall_m, n.centre_m] };
    let at = |depth: f64| along(foot, inward, depth);
    let shape = |polygon| Shape { layer: n.layer.clone(), name: n.name.clone(), polygon };
    let port = |place| Port { name: n.name.clone(), place, reference_ohm: n.reference_ohm };
    match n.outside {
        Outside::Line { width_m } => {
            let body = taper(foot, width_m, at(n.depth_m), n.inner_width_m)?;
            let place =
                PortPlace::Wall { side: n.side, layer: n.layer.clone(), centre_m: n.centre_m, reference_shift_m: 0.0 };
            Ok((vec![shape(body)], port(place)))
        }
        Outside::Pad { pad_m: [length, width], from_edge_m } => {
            let (outer, inner) = (from_edge_m, from_edge_m + length);
            if inner >= n.depth_m {
                let fault = format!("expected the pad to end before {} m, found {inner} m", n.depth_m);
                return refuse("edge launch", fault);
            }
            let body = trace(&[at(outer), at(inner)], width, Corner::Sharp, 0.0)?;
            let neck = taper(at(inner), width, at(n.depth_m), n.inner_width_m)?;
            let edge = [beside(at(outer), inward, -0.5 * width), beside(at(outer), inward, 0.5 * width)];
            let plus = Terminal { layer: n.layer.clone(), edge };
            let minus = Terminal { layer: n.ground.clone(), edge };
            Ok((vec![shape(body), shape(neck)], port(PortPlace::Gap { plus, minus })))
        }
    }
}
