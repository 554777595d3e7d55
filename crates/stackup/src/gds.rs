//! Mask data in the GDSII stream format, written and read.
//!
//! Written: one library, one structure, a boundary for every polygon, 1 nm database unit. Read: boundaries, boxes,
//! paths with flat, round (as flat) and extended ends, structure references and arrays with shift, quarter turns or
//! any angle, mirror and magnification, flattened; texts and unknown attributes are skipped.
//! Times of change are written as zero, so that equal layouts give equal files.
//! Source: the public description of the stream format, release 6.0 (memory): records of a two-byte length, a record
//! type and a data type; real numbers with excess-64 exponent to base 16.

use crate::layout::Shape;
use crate::{Point, Polygon, StackupError};
use std::collections::BTreeMap;

/// Which number a layer has in mask data.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LayerMap {
    /// Name of the layer in the stack.
    pub layer: String,
    /// Layer number.
    pub number: i16,
    /// Data type.
    pub datatype: i16,
}

/// Database unit, metre.
const UNIT_M: f64 = 1e-9;
/// Database unit in user units of one micrometre.
const UNIT_USER: f64 = 1e-3;
/// Corners a boundary may have in one record: 65 535 bytes of eight.
const CORNERS_MAX: usize = 8190;
/// Polygons at most after references are resolved; more is taken for a broken array.
const POLYGONS_MAX: usize = 2_000_000;
/// References within references at most.
const DEPTH_MAX: usize = 64;

mod record {
    pub(super) const HEADER: u8 = 0x00;
    pub(super) const BGNLIB: u8 = 0x01;
    pub(super) const LIBNAME: u8 = 0x02;
    pub(super) const UNITS: u8 = 0x03;
    pub(super) const ENDLIB: u8 = 0x04;
    pub(super) const BGNSTR: u8 = 0x05;
    pub(super) const STRNAME: u8 = 0x06;
    pub(super) const ENDSTR: u8 = 0x07;
    pub(super) const BOUNDARY: u8 = 0x08;
    pub(super) const PATH: u8 = 0x09;
    pub(super) const SREF: u8 = 0x0a;
    pub(super) const AREF: u8 = 0x0b;
    pub(super) const TEXT: u8 = 0x0c;
    pub(super) const LAYER: u8 = 0x0d;
    pub(super) const DATATYPE: u8 = 0x0e;
    pub(super) const WIDTH: u8 = 0x0f;
    pub(super) const XY: u8 = 0x10;
    pub(super) const ENDEL: u8 = 0x11;
    pub(super) const SNAME: u8 = 0x12;
    pub(super) const COLROW: u8 = 0x13;
    pub(super) const NODE: u8 = 0x15;
    pub(super) const STRANS: u8 = 0x1a;
    pub(super) const MAG: u8 = 0x1b;
    pub(super) const ANGLE: u8 = 0x1c;
    pub(super) const PATHTYPE: u8 = 0x21;
    pub(super) const BOX: u8 = 0x2d;
    pub(super) const BOXTYPE: u8 = 0x2e;
}

/// Kinds of data in a record.
const NONE: u8 = 0;
const INT2: u8 = 2;
const INT4: u8 = 3;
const REAL8: u8 = 5;
const ASCII: u8 = 6;

/// Mask data of shapes; layers missing in the map are refused.
pub fn write_gds(structure: &str, shapes: &[Shape], map: &[LayerMap]) -> Result<Vec<u8>, StackupError> {
    let mut out = Vec::new();
    put(&mut out, record::HEADER, INT2, &600i16.to_be_bytes());
    put(&mut out, record::BGNLIB, INT2, &[0; 24]);
    put(&mut out, record::LIBNAME, ASCII, &text("LAYOUT"));
    put(&mut out, record::UNITS, REAL8, &[real8(UNIT_USER), real8(UNIT_M)].concat());
    put(&mut out, record::BGNSTR, INT2, &[0; 24]);
    put(&mut out, record::STRNAME, ASCII, &text(&legal_name(structure)));
    for shape in shapes {
        let entry = map.iter().find(|m| m.layer == shape.layer).ok_or_else(|| StackupError::UnknownLayer {
            name: shape.layer.clone(),
            known: map.iter().map(|m| m.layer.clone()).collect(),
        })?;
        put_boundary(&mut out, shape, entry)?;
    }
    put(&mut out, record::ENDSTR, NONE, &[]);
    put(&mut out, record::ENDLIB, NONE, &[]);
    Ok(out)
}

fn put_boundary(out: &mut Vec<u8>, shape: &Shape, entry: &LayerMap) -> Result<(), StackupError> {
    let corners = shape.polygon.corners();
    if corners.len() > CORNERS_MAX {
        let fault = format!("expected at most {CORNERS_MAX} corners in mask data, found {}", corners.len());
        return Err(StackupError::Shape { what: format!("shape `{}`", shape.name), fault });
    }
    let mut xy = Vec::with_capacity(8 * (corners.len() + 1));
    for p in corners.iter().chain(corners.first()) {
        for x in p {
            let steps = (x / UNIT_M).round();
            if steps.abs() > f64::from(i32::MAX) {
                let fault = format!("expected coordinates below two metre, found {x} m");
                return Err(StackupError::Shape { what: format!("shape `{}`", shape.name), fault });
            }
            xy.extend((steps as i32).to_be_bytes());
        }
    }
    put(out, record::BOUNDARY, NONE, &[]);
    put(out, record::LAYER, INT2, &entry.number.to_be_bytes());
    put(out, record::DATATYPE, INT2, &entry.datatype.to_be_bytes());
    put(out, record::XY, INT4, &xy);
    put(out, record::ENDEL, NONE, &[]);
    Ok(())
}

fn put(out: &mut Vec<u8>, kind: u8, data_type: u8, data: &[u8]) {
    let length = u16::try_from(data.len() + 4).expect("records are kept below 64 KiB");
    out.extend(length.to_be_bytes());
    out.extend([kind, data_type]);
    out.extend(data);
}

/// Characters padded to an even number.
fn text(s: &str) -> Vec<u8> {
    let mut bytes = s.as_bytes().to_vec();
    if bytes.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

/// The characters the format allows in names, at most 32.
fn legal_name(s: &str) -> String {
    let legal = |c: char| if c.is_ascii_alphanumeric() || "_?$".contains(c) { c } else { '_' };
    let name: String = s.chars().map(legal).take(32).collect();
    if name.is_empty() { "TOP".into() } else { name }
}

/// Real number with sign, excess-64 exponent to base 16 and 56 bits of fraction.
fn real8(x: f64) -> [u8; 8] {
    if x == 0.0 {
        return [0; 8];
    }
    let mut exponent = 64;
    let mut fraction = x.abs();
    while fraction >= 1.0 {
        fraction /= 16.0;
        exponent += 1;
    }
    while fraction < 1.0 / 16.0 {
        fraction *= 16.0;
        exponent -= 1;
    }
    let bits = (fraction * 2f64.powi(56)).round() as u64;
    let mut bytes = bits.to_be_bytes();
    bytes[0] = exponent as u8 | if x < 0.0 { 0x80 } else { 0 };
    bytes
}

fn from_real8(bytes: &[u8]) -> f64 {
    let mut fraction = [0; 8];
    fraction[1..].copy_from_slice(&bytes[1..8]);
    let value = u64::from_be_bytes(fraction) as f64 / 2f64.powi(56);
    let value = value * 16f64.powi(i32::from(bytes[0] & 0x7f) - 64);
    if bytes[0] & 0x80 == 0 { value } else { -value }
}

/// Mask data that was read.
#[derive(Debug, Clone, PartialEq)]
pub struct MaskData {
    /// Name of the structure that nothing else refers to (the first, when there are several).
    pub structure: String,
    /// Its polygons, references resolved.
    pub shapes: Vec<Shape>,
    /// Layer number, data type and count of what the map does not know and was left out.
    pub unmapped: Vec<(i16, i16, usize)>,
}

/// An element of a structure.
#[derive(Debug, Clone)]
enum Element {
    Area { key: (i16, i16), corners: Vec<Point> },
    Reference { name: String, at: Vec<Turn> },
}

/// Mirror about x, then magnify and turn, then shift.
#[derive(Debug, Clone, Copy)]
struct Turn {
    mirror: bool,
    scale: f64,
    angle_deg: f64,
    shift: Point,
}

impl Turn {
    const NONE: Self = Self { mirror: false, scale: 1.0, angle_deg: 0.0, shift: [0.0; 2] };

    fn apply(&self, p: Point) -> Point {
        let y = if self.mirror { -p[1] } else { p[1] };
        // exact for quarter turns
        let (sin, cos) = match self.angle_deg.rem_euclid(360.0) {
            0.0 => (0.0, 1.0),
            90.0 => (1.0, 0.0),
            180.0 => (0.0, -1.0),
            270.0 => (-1.0, 0.0),
            other => other.to_radians().sin_cos(),
        };
        let (sin, cos) = (sin * self.scale, cos * self.scale);
        [self.shift[0] + cos * p[0] - sin * y, self.shift[1] + sin * p[0] + cos * y]
    }
}

/// Reads mask data; polygons of layers that the map does not know are counted, not kept.
pub fn read_gds(bytes: &[u8], map: &[LayerMap]) -> Result<MaskData, StackupError> {
    let mut reader = Reader { bytes, at: 0, unit_m: UNIT_M, structures: BTreeMap::new(), order: Vec::new() };
    reader.library()?;
    let referred: Vec<&String> = reader
        .structures
        .values()
        .flatten()
        .filter_map(|e| match e {
            Element::Reference { name, .. } => Some(name),
            Element::Area { .. } => None,
        })
        .collect();
    let top = reader.order.iter().find(|name| !referred.contains(name)).or(reader.order.first());
    let Some(top) = top.cloned() else { return Err(reader.wrong("a structure", "none".into())) };
    let mut areas = Vec::new();
    flatten(&reader, &top, &[], &mut areas)?;
    let mut data = MaskData { structure: top, shapes: Vec::new(), unmapped: Vec::new() };
    let mut missing: BTreeMap<(i16, i16), usize> = BTreeMap::new();
    for (key, corners) in areas {
        match map.iter().find(|m| (m.number, m.datatype) == key) {
            Some(entry) => data.shapes.push(Shape {
                layer: entry.layer.clone(),
                name: String::new(),
                polygon: Polygon::new(&corners)?,
            }),
            None => *missing.entry(key).or_default() += 1,
        }
    }
    data.unmapped = missing.into_iter().map(|((number, datatype), count)| (number, datatype, count)).collect();
    Ok(data)
}

/// Polygons of a structure under a chain of turns, innermost last.
fn flatten(
    reader: &Reader<'_>,
    name: &str,
    turns: &[Turn],
    out: &mut Vec<((i16, i16), Vec<Point>)>,
) -> Result<(), StackupError> {
    if turns.len() > DEPTH_MAX {
        return Err(reader.wrong("references that end", format!("structure `{name}` within itself")));
    }
    let elements = reader.structures.get(name);
    let elements =
        elements.ok_or_else(|| reader.wrong("a structure that exists", format!("a reference to `{name}`")))?;
    for element in elements {
        if out.len() > POLYGONS_MAX {
            return Err(reader.wrong("two million polygons at most", "more".into()));
        }
        match element {
            Element::Area { key, corners } => {
                let place = |p: &Point| turns.iter().rev().fold(*p, |p, turn| turn.apply(p));
                out.push((*key, corners.iter().map(place).collect()));
            }
            Element::Reference { name, at } => {
                for turn in at {
                    let chain: Vec<Turn> = turns.iter().copied().chain([*turn]).collect();
                    flatten(reader, name, &chain, out)?;
                }
            }
        }
    }
    Ok(())
}

struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
    unit_m: f64,
    structures: BTreeMap<String, Vec<Element>>,
    order: Vec<String>,
}

/// What an element is being built from.
#[derive(Debug, Clone, Default)]
struct Draft {
    key: (i16, i16),
    xy: Vec<Point>,
    width: f64,
    path_type: i16,
    name: String,
    mirror: bool,
    scale: Option<f64>,
    angle_deg: f64,
    columns_rows: Option<(i16, i16)>,
}

impl<'a> Reader<'a> {
    fn wrong(&self, expected: &str, found: String) -> StackupError {
        StackupError::Mask { offset: self.at, expected: expected.into(), found }
    }

    /// Kind and data of the next record.
    fn next(&mut self) -> Result<(u8, &'a [u8]), StackupError> {
        let head = self.bytes.get(self.at..self.at + 4);
        let head = head.ok_or_else(|| self.wrong("a record", "the end of the data".into()))?;
        let length = usize::from(u16::from_be_bytes([head[0], head[1]]));
        let kind = head[2];
        if length < 4 {
            return Err(self.wrong("a record of four bytes or more", format!("length {length}")));
        }
        let data = self.bytes.get(self.at + 4..self.at + length);
        let data = data.ok_or_else(|| self.wrong("a whole record", format!("{length} bytes announced, fewer left")))?;
        self.at += length;
        Ok((kind, data))
    }

    fn library(&mut self) -> Result<(), StackupError> {
        let (first, _) = self.next()?;
        if first != record::HEADER {
            self.at = 0;
            return Err(self.wrong("the header record of stream data", format!("record type {first:#04x}")));
        }
        let mut current: Option<String> = None;
        loop {
            let (kind, data) = self.next()?;
            match kind {
                record::ENDLIB => return Ok(()),
                record::UNITS if data.len() == 16 => self.unit_m = from_real8(&data[8..]),
                record::STRNAME => {
                    let name = name_of(data);
                    self.structures.insert(name.clone(), Vec::new());
                    self.order.push(name.clone());
                    current = Some(name);
                }
                record::ENDSTR => current = None,
                record::BOUNDARY
                | record::BOX
                | record::PATH
                | record::SREF
                | record::AREF
                | record::TEXT
                | record::NODE => {
                    let element = self.element(kind)?;
                    let name = current
                        .as_ref()
                        .ok_or_else(|| self.wrong("elements inside a structure", "one outside".into()))?;
                    if let (Some(element), Some(list)) = (element, self.structures.get_mut(name)) {
                        list.push(element);
                    }
                }
                _ => {}
            }
        }
    }

    fn element(&mut self, kind: u8) -> Result<Option<Element>, StackupError> {
        let mut draft = Draft::default();
        loop {
            let (part, data) = self.next()?;
            let short = |k: usize| data.get(2 * k..2 * k + 2).map_or(0, |b| i16::from_be_bytes([b[0], b[1]]));
            match part {
                record::ENDEL => break,
                record::LAYER => draft.key.0 = short(0),
                record::DATATYPE | record::BOXTYPE => draft.key.1 = short(0),
                record::XY => draft.xy = self.points(data)?,
                record::WIDTH if data.len() == 4 => draft.width = self.length(data),
                record::PATHTYPE => draft.path_type = short(0),
                record::SNAME => draft.name = name_of(data),
                record::STRANS => draft.mirror = data.first().is_some_and(|b| b & 0x80 != 0),
                record::MAG if data.len() == 8 => draft.scale = Some(from_real8(data)),
                record::ANGLE if data.len() == 8 => draft.angle_deg = from_real8(data),
                record::COLROW => draft.columns_rows = Some((short(0), short(1))),
                _ => {}
            }
        }
        match kind {
            record::BOUNDARY | record::BOX => Ok(Some(Element::Area { key: draft.key, corners: draft.xy })),
            record::PATH => self.path(&draft).map(Some),
            record::SREF | record::AREF => self.reference(draft).map(Some),
            _ => Ok(None),
        }
    }

    fn length(&self, bytes: &[u8]) -> f64 {
        f64::from(i32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])) * self.unit_m
    }

    fn points(&self, data: &[u8]) -> Result<Vec<Point>, StackupError> {
        if !data.len().is_multiple_of(8) {
            return Err(self.wrong("pairs of coordinates", format!("{} bytes", data.len())));
        }
        Ok(data.chunks_exact(8).map(|c| [self.length(&c[..4]), self.length(&c[4..])]).collect())
    }

    fn path(&self, draft: &Draft) -> Result<Element, StackupError> {
        // round ends are taken as flat ones; type 2 extends by half the width
        let extension = if draft.path_type == 2 { 0.5 * draft.width } else { 0.0 };
        let polygon = crate::generators::trace(&draft.xy, draft.width, crate::Corner::Sharp, extension)?;
        Ok(Element::Area { key: draft.key, corners: polygon.corners().to_vec() })
    }

    fn reference(&self, draft: Draft) -> Result<Element, StackupError> {
        let turn =
            Turn { mirror: draft.mirror, scale: draft.scale.unwrap_or(1.0), angle_deg: draft.angle_deg, ..Turn::NONE };
        let at = match (draft.columns_rows, draft.xy.as_slice()) {
            (None, [p, ..]) => vec![Turn { shift: *p, ..turn }],
            (Some((columns, rows)), [p, x, y, ..]) if columns > 0 && rows > 0 => {
                let step = |q: &Point, n: i16| [(q[0] - p[0]) / f64::from(n), (q[1] - p[1]) / f64::from(n)];
                let (dx, dy) = (step(x, columns), step(y, rows));
                let place = |c: i16, r: i16| {
                    let (c, r) = (f64::from(c), f64::from(r));
                    [p[0] + c * dx[0] + r * dy[0], p[1] + c * dx[1] + r * dy[1]]
                };
                if usize::from(columns.unsigned_abs()) * usize::from(rows.unsigned_abs()) > POLYGONS_MAX {
                    return Err(self.wrong("two million places at most", format!("an array of {columns} by {rows}")));
                }
                let all = (0..rows).flat_map(|r| (0..columns).map(move |c| (c, r)));
                all.map(|(c, r)| Turn { shift: place(c, r), ..turn }).collect()
            }
            (found, xy) => {
                return Err(self.wrong("places of a reference", format!("{found:?} with {} points", xy.len())));
            }
        };
        Ok(Element::Reference { name: draft.name, at })
    }
}

fn name_of(data: &[u8]) -> String {
    data.iter().take_while(|&&b| b != 0).map(|&b| char::from(b)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bit patterns of the numbers in the unit records of common files (memory).
    #[test]
    fn reals_have_the_bits_of_the_standard() {
        assert_eq!(real8(1e-3), [0x3e, 0x41, 0x89, 0x37, 0x4b, 0xc6, 0xa7, 0xf0]);
        assert_eq!(real8(1e-9), [0x39, 0x44, 0xb8, 0x2f, 0xa0, 0x9b, 0x5a, 0x54]);
        assert_eq!(real8(1.0), [0x41, 0x10, 0, 0, 0, 0, 0, 0]);
        for x in [1.0, -90.0, 1e-9, 0.125, 7.5e5] {
            assert!((from_real8(&real8(x)) / x - 1.0).abs() < 1e-15);
        }
    }
}
