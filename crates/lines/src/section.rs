//! What is solved: conductors in layered dielectric.
//!
//! Coordinates in metre: `x` across, `y` up. A ground plane, when present, is `y = 0`.

use crate::LinesError;

/// A dielectric.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filling {
    /// Relative permittivity.
    pub eps_r: f64,
    /// Loss tangent.
    pub loss_tangent: f64,
}

impl Filling {
    /// A dielectric without loss.
    pub const fn lossless(eps_r: f64) -> Self {
        Self { eps_r, loss_tangent: 0.0 }
    }
}

/// A dielectric layer; it reaches from the top of the layer before up to `top_m`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layer {
    /// Height of its top face, metre; the last layer fills all that is left, whatever stands here.
    pub top_m: f64,
    /// Index into [`CrossSection::fillings`]; layers of one index change their permittivity together.
    pub filling: usize,
}

/// The surface of a conductor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surface {
    /// Conductivity, siemens per metre; infinite for a perfect conductor.
    pub conductivity_s_per_m: f64,
    /// Root-mean-square height of the roughness, metre.
    pub roughness_rms_m: f64,
}

impl Surface {
    /// A perfect conductor.
    pub const PERFECT: Self = Self { conductivity_s_per_m: f64::INFINITY, roughness_rms_m: 0.0 };

    /// A smooth metal.
    pub const fn smooth(conductivity_s_per_m: f64) -> Self {
        Self { conductivity_s_per_m, roughness_rms_m: 0.0 }
    }
}

/// Outline of a conductor.
#[derive(Debug, Clone, PartialEq)]
pub enum Outline {
    /// Convex polygon filled with metal, corners in either sense.
    Solid(Vec<[f64; 2]>),
    /// Convex polygon with the field inside: a metal box.
    Box(Vec<[f64; 2]>),
    /// Straight strip without thickness, from one end to the other.
    Sheet([f64; 2], [f64; 2]),
    /// Round wire.
    Wire {
        /// Centre, metre.
        centre: [f64; 2],
        /// Radius, metre.
        radius_m: f64,
    },
    /// Round shield with the field inside.
    Shield {
        /// Centre, metre.
        centre: [f64; 2],
        /// Inner radius, metre.
        radius_m: f64,
        /// Wall thickness, metre; infinite when thick against everything.
        wall_m: f64,
    },
}

/// One conductor.
#[derive(Debug, Clone, PartialEq)]
pub struct Conductor {
    /// Name, for messages and tables.
    pub name: String,
    /// Outline.
    pub outline: Outline,
    /// True when it belongs to the reference (zero volt); false for a line of its own.
    pub reference: bool,
    /// Metal.
    pub surface: Surface,
}

impl Conductor {
    /// A line with axis-parallel rectangular metal.
    pub fn strip(name: &str, x_m: [f64; 2], y_m: [f64; 2], surface: Surface) -> Self {
        let corners = vec![[x_m[0], y_m[0]], [x_m[1], y_m[0]], [x_m[1], y_m[1]], [x_m[0], y_m[1]]];
        Self { name: name.into(), outline: Outline::Solid(corners), reference: false, surface }
    }

    /// A horizontal line without thickness.
    pub fn sheet(name: &str, x_m: [f64; 2], y_m: f64) -> Self {
        let outline = Outline::Sheet([x_m[0], y_m], [x_m[1], y_m]);
        Self { name: name.into(), outline, reference: false, surface: Surface::PERFECT }
    }

    /// The same conductor as part of the reference.
    pub fn grounded(self) -> Self {
        Self { reference: true, ..self }
    }
}

/// A cross-section.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossSection {
    /// Ground plane at `y = 0`, when present; it belongs to the reference.
    pub ground: Option<Surface>,
    /// Height of a metal lid, when present; it belongs to the reference and needs a ground.
    pub lid: Option<(f64, Surface)>,
    /// Places of metal side walls from ground to lid, when present.
    pub walls_m: Option<[f64; 2]>,
    /// Dielectrics.
    pub fillings: Vec<Filling>,
    /// Dielectric layers, bottom up; the first starts at the ground, or at minus infinity without one.
    pub layers: Vec<Layer>,
    /// Conductors.
    pub conductors: Vec<Conductor>,
}

impl CrossSection {
    /// Lines over a perfect ground plane, open above: layers bottom up as height of the top face and dielectric.
    pub fn over_ground(fillings: &[(f64, Filling)], conductors: Vec<Conductor>) -> Self {
        let layers = fillings.iter().enumerate().map(|(i, f)| Layer { top_m: f.0, filling: i }).collect();
        let fillings = fillings.iter().map(|f| f.1).collect();
        Self { ground: Some(Surface::PERFECT), lid: None, walls_m: None, fillings, layers, conductors }
    }

    /// Index of the layer at a height.
    pub(crate) fn layer_at(&self, y: f64) -> usize {
        self.layers.iter().position(|l| y < l.top_m).unwrap_or(self.layers.len() - 1)
    }

    /// Index of the dielectric at a height.
    pub(crate) fn filling_at(&self, y: f64) -> usize {
        self.layers[self.layer_at(y)].filling
    }

    /// Names of the lines, in the order of the rows of all matrices.
    pub fn line_names(&self) -> Vec<&str> {
        self.conductors.iter().filter(|c| !c.reference).map(|c| c.name.as_str()).collect()
    }

    /// Largest extent of conductors and ground distance, metre: the scale of tolerances.
    pub(crate) fn scale_m(&self) -> f64 {
        let base = if self.ground.is_some() { vec![[0.0, 0.0]] } else { Vec::new() };
        let points: Vec<[f64; 2]> =
            base.into_iter().chain(self.conductors.iter().flat_map(|c| c.outline.extremes())).collect();
        let span = |k: usize| {
            let (lo, hi) =
                points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(p[k]), h.max(p[k])));
            hi - lo
        };
        // the ground sets no place along x
        let dx = self.conductors.iter().flat_map(|c| c.outline.extremes()).map(|p| p[0]);
        let (lo, hi) = dx.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
        span(1).max(hi - lo)
    }

    /// Refuses what cannot be solved.
    pub(crate) fn check(&self) -> Result<(), LinesError> {
        let refuse = |place: &str, fault: String| Err(LinesError::Section { place: place.into(), fault });
        if !self.conductors.iter().any(|c| !c.reference) {
            return refuse("conductors", "expected at least one line, found none".into());
        }
        if self.ground.is_none() && !self.conductors.iter().any(|c| c.reference) {
            return refuse(
                "conductors",
                "expected a ground or a reference conductor for the return, found none".into(),
            );
        }
        if self.layers.is_empty() {
            return refuse("layers", "expected at least one layer, found none".into());
        }
        let mut below = if self.ground.is_some() { 0.0 } else { f64::NEG_INFINITY };
        for (i, layer) in self.layers.iter().enumerate() {
            if layer.filling >= self.fillings.len() {
                let fault =
                    format!("expected one of {} dielectrics, found number {}", self.fillings.len(), layer.filling);
                return refuse(&format!("layer {i}"), fault);
            }
            if layer.top_m <= below || layer.top_m.is_nan() {
                return refuse(
                    &format!("layer {i}"),
                    format!("expected a top above {below} m, found {} m", layer.top_m),
                );
            }
            below = layer.top_m;
        }
        for (i, filling) in self.fillings.iter().enumerate() {
            if !(filling.eps_r >= 1.0 && filling.eps_r.is_finite() && filling.loss_tangent >= 0.0) {
                let fault = format!("expected permittivity 1 or more and loss tangent 0 or more, found {filling:?}");
                return refuse(&format!("dielectric {i}"), fault);
            }
        }
        self.check_lid()?;
        for conductor in &self.conductors {
            self.check_conductor(conductor)?;
        }
        for (i, first) in self.conductors.iter().enumerate() {
            for second in &self.conductors[i + 1..] {
                // parts of the reference may touch, such as a fin in a box
                let joined = first.reference && second.reference;
                if !joined && !first.outline.is_apart(&second.outline, SAME_PLACE * self.scale_m()) {
                    let fault = format!("expected it apart from conductor `{}`, found them touching", second.name);
                    return refuse(&format!("conductor `{}`", first.name), fault);
                }
            }
        }
        Ok(())
    }

    fn check_lid(&self) -> Result<(), LinesError> {
        let refuse = |fault: &str| Err(LinesError::Section { place: "lid and walls".into(), fault: fault.into() });
        match (self.lid, self.ground, self.walls_m) {
            (Some(_), None, _) => refuse("expected a ground below the lid, found none"),
            (None, _, Some(_)) => refuse("expected a lid on the side walls, found none"),
            (_, _, Some([a, b])) if a >= b => refuse("expected the left wall left of the right wall"),
            _ => Ok(()),
        }
    }

    fn check_conductor(&self, conductor: &Conductor) -> Result<(), LinesError> {
        let refuse =
            |fault: String| Err(LinesError::Section { place: format!("conductor `{}`", conductor.name), fault });
        let points = conductor.outline.extremes();
        if points.iter().flatten().any(|x| !x.is_finite()) {
            return refuse("expected finite coordinates".into());
        }
        if let (Some(_), Some(p)) = (self.ground, points.iter().find(|p| p[1] <= 0.0)) {
            return refuse(format!("expected it above the ground plane y = 0, found a point at y = {} m", p[1]));
        }
        if let Some((lid, _)) = self.lid
            && let Some(p) = points.iter().find(|p| p[1] >= lid)
        {
            return refuse(format!("expected it below the lid at {lid} m, found a point at y = {} m", p[1]));
        }
        if let Some([a, b]) = self.walls_m
            && let Some(p) = points.iter().find(|p| p[0] <= a || p[0] >= b)
        {
            return refuse(format!("expected it between the walls {a} m and {b} m, found a point at x = {} m", p[0]));
        }
        match &conductor.outline {
            Outline::Solid(c) | Outline::Box(c) if !is_convex(c) => {
                refuse("expected a convex polygon with at least three corners".into())
            }
            Outline::Sheet(a, b) if a == b => refuse("expected a sheet with two different ends".into()),
            Outline::Wire { radius_m, .. } | Outline::Shield { radius_m, .. } if *radius_m <= 0.0 => {
                refuse(format!("expected a radius above zero, found {radius_m} m"))
            }
            _ => Ok(()),
        }
    }
}

/// Distance below which conductors touch, over the extent of the section.
const SAME_PLACE: f64 = 1e-9;

impl Outline {
    /// True when the metal of both keeps more than `least` distance; what is inside a box or shield stays inside.
    fn is_apart(&self, other: &Self, least: f64) -> bool {
        let (a, b) = (self.hull(), other.hull());
        let inside = |shell: &[[f64; 2]], points: &[[f64; 2]]| {
            let sense = turn(shell).signum();
            let faces = normals(shell);
            let depth =
                |p: &[f64; 2], n: &[f64; 2], q: &[f64; 2]| sense * ((p[0] - q[0]) * n[0] + (p[1] - q[1]) * n[1]);
            points.iter().all(|p| faces.iter().zip(shell).all(|(n, q)| depth(p, n, q) > least))
        };
        match (self.is_shell(), other.is_shell()) {
            (true, true) => inside(&a, &b) || inside(&b, &a),
            (true, false) => inside(&a, &b),
            (false, true) => inside(&b, &a),
            (false, false) => normals(&a).into_iter().chain(normals(&b)).any(|n| {
                let span = |points: &[[f64; 2]]| {
                    let along = points.iter().map(|p| p[0] * n[0] + p[1] * n[1]);
                    along.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)))
                };
                let (a, b) = (span(&a), span(&b));
                a.0 - b.1 > least || b.0 - a.1 > least
            }),
        }
    }

    fn is_shell(&self) -> bool {
        matches!(self, Self::Box(_) | Self::Shield { .. })
    }

    /// Corners; of round ones a fine inscribed polygon.
    fn hull(&self) -> Vec<[f64; 2]> {
        const ROUND: usize = 256;
        match self {
            Self::Wire { centre: [x, y], radius_m: r } | Self::Shield { centre: [x, y], radius_m: r, .. } => (0..ROUND)
                .map(|i| {
                    let (sin, cos) = (std::f64::consts::TAU * i as f64 / ROUND as f64).sin_cos();
                    [x + r * cos, y + r * sin]
                })
                .collect(),
            _ => self.extremes(),
        }
    }

    /// Points that span it.
    pub(crate) fn extremes(&self) -> Vec<[f64; 2]> {
        match self {
            Self::Solid(c) | Self::Box(c) => c.clone(),
            Self::Sheet(a, b) => vec![*a, *b],
            Self::Wire { centre: [x, y], radius_m: r } | Self::Shield { centre: [x, y], radius_m: r, .. } => {
                vec![[x - r, *y], [x + r, *y], [*x, y - r], [*x, y + r]]
            }
        }
    }
}

/// Unit normals to the left of all edges, and for a sheet of both directions of its plane.
fn normals(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let n = points.len();
    let mut out: Vec<[f64; 2]> = (0..n)
        .map(|i| {
            let (a, b) = (points[i], points[(i + 1) % n]);
            let length = (b[0] - a[0]).hypot(b[1] - a[1]);
            [-(b[1] - a[1]) / length, (b[0] - a[0]) / length]
        })
        .collect();
    if n == 2 {
        out[1] = [out[0][1], -out[0][0]];
    }
    out
}

/// Twice the signed area.
pub(crate) fn turn(corners: &[[f64; 2]]) -> f64 {
    let n = corners.len();
    (0..n).map(|i| corners[i][0] * corners[(i + 1) % n][1] - corners[i][1] * corners[(i + 1) % n][0]).sum()
}

fn is_convex(corners: &[[f64; 2]]) -> bool {
    let n = corners.len();
    let sense = turn(corners);
    n >= 3
        && sense != 0.0
        && (0..n).all(|i| {
            let (a, b, c) = (corners[i], corners[(i + 1) % n], corners[(i + 2) % n]);
            ((b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])) * sense > 0.0
        })
}
