//! Equations projected on the span of a few full solutions: small, dense, right at any frequency.
//!
//! The space is real (real and imaginary parts of the solutions, made orthonormal), so the projected equations keep
//! symmetry and passivity. A small change of the structure is projected on the same space; since the equations are
//! their own adjoint, the derivative of S found that way has only a second-order error of the projection.

use crate::VolumeError;
use crate::mode_table::{ModeReading, ModeTable};
use crate::model::{Medium, PortShape, Surface, vacuum_impedance_ohm};
use crate::system::{Entries, PortState, System, wavenumber};
use numerics::{CMatrix, Complex64, RMatrix, linear, parallel};
use sparse::{inner_products, without_combination};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

/// Directions whose new part is smaller than this share are already in the space.
const NEW_PART_MIN: f64 = 1e-10;

/// Orthonormal real basis of the field unknowns, by columns.
#[derive(Debug, Clone, Default)]
pub(crate) struct Basis {
    pub n: usize,
    pub columns: Vec<f64>,
}

impl Basis {
    pub(crate) fn dimension(&self) -> usize {
        self.columns.len().checked_div(self.n).unwrap_or(0)
    }

    /// Adds real and imaginary parts of the fields; returns the number of the first new column.
    fn extend(&mut self, system: &System, fields: &[Vec<Complex64>]) -> usize {
        let n = system.space.n_unknowns;
        self.n = n;
        let first = self.dimension();
        let scale = system.natural_scale();
        let mut block: Vec<f64> = Vec::with_capacity(2 * n * fields.len());
        for x in fields {
            block.extend(x[..n].iter().map(|z| z.re));
            block.extend(x[..n].iter().map(|z| z.im));
        }
        let size = |v: &[f64]| v.iter().zip(&scale).map(|(v, s)| v * v * s).sum::<f64>().sqrt();
        let before: Vec<f64> = block.chunks(n).map(size).collect();
        for _ in 0..2 {
            let weighted: Vec<f64> =
                block.chunks(n).flat_map(|v| v.iter().zip(&scale).map(|(v, s)| v * s).collect::<Vec<_>>()).collect();
            let c = inner_products(n, &self.columns, &weighted);
            block = without_combination(n, &self.columns, &c, &block);
        }
        for (v, before) in block.chunks_mut(n).zip(before) {
            for _ in 0..2 {
                for b in self.columns[first * n..].chunks(n) {
                    let c: f64 = b.iter().zip(v.iter()).zip(&scale).map(|((b, v), s)| b * v * s).sum();
                    v.iter_mut().zip(b).for_each(|(v, b)| *v -= c * b);
                }
            }
            let after = size(v);
            if after > NEW_PART_MIN * before && after > 0.0 {
                self.columns.extend(v.iter().map(|x| x / after));
            }
        }
        first
    }

    /// Rows of the basis, by rows of the result.
    fn rows(&self, unknowns: &[u32]) -> RMatrix {
        RMatrix::from_fn(unknowns.len(), self.dimension(), |i, j| self.columns[j * self.n + unknowns[i] as usize])
    }
}

/// One real symmetric matrix per part of the equations.
#[derive(Debug, Clone)]
pub(crate) struct Parts {
    stiffness: RMatrix,
    media: Vec<RMatrix>,
    surfaces: Vec<RMatrix>,
}

/// The full matrices behind [`Parts`].
pub(crate) struct PartEntries<'a> {
    pub stiffness: Entries,
    pub media: Vec<&'a Entries>,
    pub surfaces: Vec<&'a Entries>,
}

impl Parts {
    fn empty(entries: &PartEntries<'_>) -> Self {
        let none = || RMatrix::zeros(0, 0);
        Self {
            stiffness: none(),
            media: entries.media.iter().map(|_| none()).collect(),
            surfaces: entries.surfaces.iter().map(|_| none()).collect(),
        }
    }

    /// Fills the rows and columns from `first` on.
    fn extend(&mut self, system: &System, entries: &PartEntries<'_>, columns: &[u32], basis: &Basis, first: usize) {
        let m = basis.dimension();
        let mut targets: Vec<(&mut RMatrix, &Entries)> = vec![(&mut self.stiffness, &entries.stiffness)];
        targets.extend(self.media.iter_mut().zip(entries.media.iter().copied()));
        targets.extend(self.surfaces.iter_mut().zip(entries.surfaces.iter().copied()));
        for (old, list) in targets {
            let mut out = RMatrix::from_fn(m, m, |i, j| if i < first && j < first { old[(i, j)] } else { 0.0 });
            let new = project(system, list, columns, basis, first);
            for j in first..m {
                for i in 0..m {
                    let value = new[(j - first) * m + i];
                    out[(i, j)] = value;
                    out[(j, i)] = value;
                }
            }
            *old = out;
        }
    }
}

/// `Bᵀ M B` for the columns of B from `first` on, by columns. Only rows the matrix touches take part.
fn project(system: &System, list: &Entries, columns: &[u32], basis: &Basis, first: usize) -> Vec<f64> {
    let (n, m) = (basis.n, basis.dimension());
    let mut touched = vec![false; n];
    for &(k, _) in list {
        touched[system.row_of(k)] = true;
        touched[columns[k as usize] as usize] = true;
    }
    let rows: Vec<u32> = (0..n as u32).filter(|&u| touched[u as usize]).collect();
    if rows.is_empty() {
        return vec![0.0; m * (m - first)];
    }
    let mut place = vec![u32::MAX; n];
    rows.iter().enumerate().for_each(|(k, &u)| place[u as usize] = k as u32);
    let short = rows.len();
    let gather = |from: usize| -> Vec<f64> {
        basis.columns[from * n..]
            .chunks(n)
            .flat_map(|c| rows.iter().map(|&u| c[u as usize]).collect::<Vec<_>>())
            .collect()
    };
    let new = gather(first);
    let q = m - first;
    // By rows, so that one entry of the matrix serves all columns at once.
    let mut x = vec![0.0; short * q];
    for (j, c) in new.chunks(short).enumerate() {
        c.iter().enumerate().for_each(|(r, v)| x[r * q + j] = *v);
    }
    let mut y = vec![0.0; short * q];
    for &(k, v) in list {
        let (i, j) = (place[system.row_of(k)] as usize, place[columns[k as usize] as usize] as usize);
        for c in 0..q {
            y[i * q + c] += v * x[j * q + c];
        }
        if i != j {
            for c in 0..q {
                y[j * q + c] += v * x[i * q + c];
            }
        }
    }
    let mut image = new;
    for (j, c) in image.chunks_mut(short).enumerate() {
        c.iter_mut().enumerate().for_each(|(r, v)| *v = y[r * q + j]);
    }
    if short == n { inner_products(n, &basis.columns, &image) } else { inner_products(short, &gather(0), &image) }
}

/// Where a port's functional comes from.
#[derive(Clone)]
pub(crate) enum PortSource {
    /// A sheet: fixed.
    Fixed(Vec<(u32, f64)>),
    /// A guided wave that is smooth over frequency.
    Table(Arc<ModeTable>),
    /// A guided wave to be solved at every frequency: port shape and mode.
    Direct(Arc<System>, usize),
}

/// Guided waves that were solved for at a frequency (its bits), all ports together.
type Solved = Arc<Mutex<BTreeMap<u64, Arc<Vec<PortState>>>>>;

#[derive(Clone)]
struct ReducedPort {
    source: PortSource,
    support: Vec<u32>,
    rows: RMatrix,
    reference_ohm: f64,
    shift_m: f64,
}

/// A port at one frequency, in the projected space.
#[derive(Debug, Clone)]
pub(crate) struct PortReading {
    /// Voltage functional on the basis.
    pub functional: Vec<Complex64>,
    /// Reference resistance (sheets, ohm), or one (modes).
    pub resistance: f64,
    /// Phase constant of a wave port, 1/m.
    pub beta: Option<Complex64>,
    /// Line impedance of a wave port, ohm.
    pub impedance_ohm: Option<Complex64>,
    /// Distance by which the reference plane moves into the volume, metre.
    pub shift_m: f64,
}

/// Projected equations.
#[derive(Clone)]
pub(crate) struct Reduced {
    parts: Parts,
    media: Vec<Medium>,
    surfaces: Vec<Surface>,
    ports: Vec<ReducedPort>,
    solved: Solved,
}

/// What changes in the full equations, per unit of a variable.
pub(crate) struct FullChange {
    pub stiffness: Entries,
    pub media: Vec<Entries>,
    pub surfaces: Vec<Entries>,
    /// Change of each port's functional.
    pub ports: Vec<PortChange>,
    /// Change of the inductance that each port's sheet brings, henry per unit.
    pub inductance_h: Vec<f64>,
    /// Materials and surfaces with the variable larger by `step`.
    pub media_then: Vec<Medium>,
    pub surfaces_then: Vec<Surface>,
    pub step: f64,
    /// A change of the variable that is small against the mesh.
    pub small: f64,
}

/// Change of a port's functional.
#[derive(Clone)]
pub(crate) enum PortChange {
    /// None.
    Still,
    /// Of a sheet, per unit.
    Sheet(Vec<(u32, f64)>),
    /// Of a guided wave: its tables with the variable larger and smaller by a distance.
    Wave(Arc<ModeTable>, Arc<ModeTable>, f64),
}

/// A change in the projected space.
#[derive(Clone)]
pub(crate) struct ReducedChange {
    parts: Parts,
    ports: Vec<PortChange>,
    /// Change of the inductance that each port's sheet brings, henry per unit.
    pub inductance_h: Vec<f64>,
    media_then: Vec<Medium>,
    surfaces_then: Vec<Surface>,
    step: f64,
    /// Distance for differences.
    pub small: f64,
}

impl Reduced {
    pub(crate) fn new(system: &Arc<System>, freq_limits_hz: [f64; 2]) -> Result<Self, VolumeError> {
        let model = &system.model;
        let mut ports = Vec::new();
        let mut tables = Vec::new();
        for (idx, port) in system.ports.iter().enumerate() {
            let (source, reference_ohm, shift_m) = match &model.ports[port.shape_idx] {
                PortShape::Sheet { reference_ohm, .. } => {
                    let fixed = port.fixed.as_ref().expect("sheet ports have a fixed functional");
                    let list = port.support.iter().copied().zip(fixed.iter().copied()).collect();
                    (PortSource::Fixed(list), *reference_ohm, 0.0)
                }
                PortShape::Wave { edges, n_modes, shift_m, path } => {
                    let table = if *n_modes == 1 {
                        ModeTable::new(model, &system.space, edges, path.as_ref(), freq_limits_hz)?
                    } else {
                        None
                    };
                    let source = match table {
                        Some(t) => PortSource::Table(Arc::new(t)),
                        None => PortSource::Direct(system.clone(), idx),
                    };
                    (source, 1.0, *shift_m)
                }
            };
            let rows = RMatrix::zeros(port.support.len(), 0);
            tables.push(if let PortSource::Table(t) = &source { Some(t.clone()) } else { None });
            ports.push(ReducedPort { source, support: port.support.clone(), rows, reference_ohm, shift_m });
        }
        // Full solutions see the same waves, so that the reduced equations can agree with them to rounding.
        let _ = system.tables.set(tables);
        Ok(Self {
            parts: Parts::empty(&entries_of(system)),
            media: model.media.clone(),
            surfaces: model.surfaces.clone(),
            ports,
            solved: Solved::default(),
        })
    }

    /// Adds solutions to the space.
    pub(crate) fn extend(&mut self, system: &System, basis: &mut Basis, fields: &[Vec<Complex64>]) {
        let first = basis.extend(system, fields);
        self.parts.extend(system, &entries_of(system), &system.entry_columns(), basis, first);
        for port in &mut self.ports {
            port.rows = basis.rows(&port.support);
        }
    }

    /// Projects a change on the space.
    pub(crate) fn change(&self, system: &System, basis: &Basis, full: FullChange) -> ReducedChange {
        let entries = PartEntries {
            stiffness: full.stiffness,
            media: full.media.iter().collect(),
            surfaces: full.surfaces.iter().collect(),
        };
        let mut parts = Parts::empty(&entries);
        parts.extend(system, &entries, &system.entry_columns(), basis, 0);
        ReducedChange {
            parts,
            ports: full.ports,
            inductance_h: full.inductance_h,
            media_then: full.media_then,
            surfaces_then: full.surfaces_then,
            step: full.step,
            small: full.small,
        }
    }

    pub(crate) fn n_ports(&self) -> usize {
        self.ports.len()
    }

    pub(crate) fn surfaces(&self) -> &[Surface] {
        &self.surfaces
    }

    /// Guided waves solved for at a frequency, kept for the next time.
    fn waves(&self, system: &System, freq_hz: f64) -> Result<Arc<Vec<PortState>>, VolumeError> {
        let key = freq_hz.to_bits();
        if let Some(known) = self.solved.lock().expect("no holder of this lock panics").get(&key) {
            return Ok(known.clone());
        }
        let found = Arc::new(system.port_states(freq_hz)?);
        self.solved.lock().expect("no holder of this lock panics").insert(key, found.clone());
        Ok(found)
    }

    /// Source of a port's functional.
    pub(crate) fn source(&self, port: usize) -> &PortSource {
        &self.ports[port].source
    }

    /// The ports at one frequency, the variable of a change away from nominal by a distance.
    pub(crate) fn readings(
        &self,
        freq_hz: f64,
        change: Option<(&ReducedChange, f64)>,
    ) -> Result<Vec<PortReading>, VolumeError> {
        let mut out = Vec::new();
        for (idx, port) in self.ports.iter().enumerate() {
            let mut reading = match &port.source {
                PortSource::Fixed(list) => ModeReading {
                    functional: list.iter().map(|&(u, v)| (u, v.into())).collect(),
                    beta: Complex64::default(),
                    impedance_ohm: None,
                },
                PortSource::Table(table) => table.at(freq_hz),
                PortSource::Direct(system, idx) => {
                    let state = &self.waves(system, freq_hz)?[*idx];
                    let beta = state.beta.expect("a wave port has a phase constant");
                    ModeReading { functional: state.functional.clone(), beta, impedance_ohm: state.impedance_ohm }
                }
            };
            match change.map(|(c, by)| (&c.ports[idx], by)) {
                Some((PortChange::Sheet(dv), by)) => {
                    reading.functional.extend(dv.iter().map(|&(u, v)| (u, Complex64::from(v * by))));
                }
                Some((PortChange::Wave(plus, minus, distance), by)) => {
                    let (a, b, s) = (plus.at(freq_hz), minus.at(freq_hz), by / (2.0 * distance));
                    for ((v, p), q) in reading.functional.iter_mut().zip(&a.functional).zip(&b.functional) {
                        v.1 += (p.1 - q.1) * s;
                    }
                    reading.beta += (a.beta - b.beta) * s;
                    if let (Some(z), Some(p), Some(q)) = (&mut reading.impedance_ohm, a.impedance_ohm, b.impedance_ohm)
                    {
                        *z += (p - q) * s;
                    }
                }
                _ => {}
            }
            let mut functional = vec![Complex64::default(); port.rows.n_cols()];
            for (u, v) in reading.functional {
                let k = port.support.binary_search(&u).expect("the functional stays on its support");
                functional.iter_mut().zip(port.rows.row(k)).for_each(|(f, b)| *f += v * *b);
            }
            let wave = !matches!(port.source, PortSource::Fixed(_));
            out.push(PortReading {
                functional,
                resistance: port.reference_ohm,
                beta: wave.then_some(reading.beta),
                impedance_ohm: reading.impedance_ohm,
                shift_m: port.shift_m,
            });
        }
        Ok(out)
    }

    /// Scattering at the port faces, and the solutions of unit waves on the basis.
    pub(crate) fn solve(
        &self,
        freq_hz: f64,
        ports: &[PortReading],
        change: Option<(&ReducedChange, f64)>,
    ) -> Result<(CMatrix, CMatrix), VolumeError> {
        let m = self.parts.stiffness.n_rows();
        let k = wavenumber(freq_hz);
        let c = Complex64::new(0.0, k * vacuum_impedance_ohm());
        let mut a = self.parts.stiffness.map(Complex64::from);
        let mut add = |matrix: &RMatrix, factor: Complex64| {
            a.as_mut_slice().iter_mut().zip(matrix.as_slice()).for_each(|(a, &m)| *a += factor * m);
        };
        if let Some((change, by)) = change {
            add(&change.parts.stiffness, by.into());
        }
        for (j, medium) in self.media.iter().enumerate() {
            let then = change.map(|(c, by)| medium.towards(&c.media_then[j], by / c.step));
            let factor = -k * k * then.unwrap_or(*medium).relative_permittivity(freq_hz);
            add(&self.parts.media[j], factor);
            if let Some((change, by)) = change {
                add(&change.parts.media[j], factor * by);
            }
        }
        for (j, surface) in self.surfaces.iter().enumerate() {
            let then = change.map(|(c, by)| surface.towards(&c.surfaces_then[j], by / c.step));
            let factor = c * then.unwrap_or(*surface).admittance_s(freq_hz);
            add(&self.parts.surfaces[j], factor);
            if let Some((change, by)) = change {
                add(&change.parts.surfaces[j], factor * by);
            }
        }
        for port in ports {
            let v = &port.functional;
            for i in 0..m {
                let left = c / port.resistance * v[i];
                a.row_mut(i).iter_mut().zip(v).for_each(|(a, v)| *a += left * v);
            }
        }
        let size: Vec<f64> = (0..m).map(|i| a[(i, i)].norm().sqrt().recip()).collect();
        let scaled = CMatrix::from_fn(m, m, |i, j| a[(i, j)] * size[i] * size[j]);
        let rhs = CMatrix::from_fn(m, ports.len(), |i, q| {
            c * 2.0 / ports[q].resistance.sqrt() * ports[q].functional[i] * size[i]
        });
        let x = linear::Lu::factor(&scaled)?.solve(&rhs);
        let y = CMatrix::from_fn(m, ports.len(), |i, q| x[(i, q)] * size[i]);
        let s = CMatrix::from_fn(ports.len(), ports.len(), |p, q| {
            let voltage: Complex64 = (0..m).map(|i| ports[p].functional[i] * y[(i, q)]).sum();
            voltage / ports[p].resistance.sqrt() - if p == q { 1.0 } else { 0.0 }
        });
        Ok((s, y))
    }

    /// Scattering at the port faces at many frequencies.
    pub(crate) fn at_faces(&self, freqs_hz: &[f64]) -> Result<Vec<CMatrix>, VolumeError> {
        parallel::map(freqs_hz, |&f| Ok(self.solve(f, &self.readings(f, None)?, None)?.0))
    }

    /// Solutions on the basis as values of chosen unknowns: rows of the basis for pictures.
    pub(crate) fn basis_rows(basis: &Basis, unknowns: &[u32]) -> RMatrix {
        basis.rows(unknowns)
    }
}

fn entries_of(system: &System) -> PartEntries<'_> {
    PartEntries {
        stiffness: system
            .stiffness
            .iter()
            .enumerate()
            .filter(|(_, v)| **v != 0.0)
            .map(|(k, &v)| (k as u32, v))
            .collect(),
        media: system.media.iter().collect(),
        surfaces: system.surfaces.iter().collect(),
    }
}

/// Moves the reference planes of wave ports into the volume.
pub(crate) fn shift(ports: &[PortReading], s: &CMatrix) -> CMatrix {
    let factor: Vec<Complex64> =
        ports.iter().map(|p| p.beta.map_or(1.0.into(), |beta| (Complex64::i() * beta * p.shift_m).exp())).collect();
    CMatrix::from_fn(s.n_rows(), s.n_cols(), |p, q| s[(p, q)] * factor[p] * factor[q])
}
