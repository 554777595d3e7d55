//! Levels of products as a heat map with values: rows one order, columns the other.

use super::palette::{Colour, HEAT};
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, TEXT, Type, text_width, wrap, xy};
use crate::number::{NO_VALUE, fixed, typeset};
use std::fmt::Write as _;

/// What a cell says.
#[derive(Debug, Clone, PartialEq)]
pub enum CellLevel {
    /// The product all others are compared with.
    Wanted,
    /// Level in dBc with its printed value and second line (band).
    Level {
        /// Level that selects the heat step, dBc.
        dbc: f64,
        /// Printed value.
        value: String,
        /// Printed below it, may be empty.
        band: String,
    },
    /// Below the floor: no number is claimed.
    NotClaimed,
    /// Not a finite number.
    NoValue,
}

/// One cell.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// Row order.
    pub row: u32,
    /// Column order.
    pub column: u32,
    /// Content.
    pub level: CellLevel,
    /// Formed by cancellation: gets a corner mark.
    pub cancelled: bool,
    /// Text shown when pointed at.
    pub tip: String,
}

/// Heat map of levels.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelGrid {
    /// Title, printed when standing alone.
    pub title: String,
    /// What the rows count.
    pub row_label: String,
    /// What the columns count.
    pub column_label: String,
    /// Cells in any order.
    pub cells: Vec<Cell>,
    /// Floor of the scale, dBc; nothing below is claimed.
    pub floor_dbc: f64,
    /// Remarks below the picture.
    pub notes: Vec<String>,
}

const CELL: (f64, f64) = (66.0, 42.0);
const LEFT: f64 = 66.0;
const TOP: f64 = 44.0;
const WIDTH_MIN: f64 = 480.0;

impl LevelGrid {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let range = |pick: fn(&Cell) -> u32| {
            let all = || self.cells.iter().map(pick);
            all().min().unwrap_or(0)..=all().max().unwrap_or(0)
        };
        let (rows, columns) = (range(|c| c.row), range(|c| c.column));
        let n_columns = f64::from(columns.end() - columns.start() + 1);
        let n_rows = f64::from(rows.end() - rows.start() + 1);
        let width = (LEFT + n_columns * CELL.0 + 10.0).max(WIDTH_MIN);
        let mut canvas = Canvas::new(look, width, &self.title);
        let label = Type::new(TEXT, Colour::Ink, Anchor::Start);
        canvas.text((LEFT, 15.0), label, &format!("{} →", self.column_label));
        for (i, line) in wrap(&format!("{} ↓", self.row_label), TEXT, LEFT - 8.0).iter().enumerate() {
            canvas.text((6.0, 15.0 + 15.0 * i as f64), label, line);
        }
        let place = |row: u32, column: u32| Area {
            x: LEFT + f64::from(column - columns.start()) * CELL.0,
            y: TOP + f64::from(row - rows.start()) * CELL.1,
            w: CELL.0 - 2.0,
            h: CELL.1 - 2.0,
        };
        let head = Type::new(TEXT, Colour::Soft, Anchor::Middle);
        for column in columns.clone() {
            let a = place(*rows.start(), column);
            canvas.text((a.x + a.w / 2.0, TOP - 8.0), head, &column.to_string());
        }
        for row in rows.clone() {
            let a = place(row, *columns.start());
            canvas.text((LEFT - 14.0, a.y + a.h / 2.0 + 4.0), head, &row.to_string());
        }
        for cell in &self.cells {
            self.draw_cell(&mut canvas, place(cell.row, cell.column), cell);
        }
        let mut bottom = TOP + n_rows * CELL.1 + 8.0;
        bottom = self.draw_scale(&mut canvas, bottom, width);
        let mut notes = self.notes.clone();
        if self.cells.iter().any(|c| c.cancelled) {
            notes.push("Corner mark: formed by cancellation.".into());
        }
        for line in wrap(&notes.join(" "), SMALL, width - 16.0) {
            canvas.text((8.0, bottom + 12.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &line);
            bottom += 16.0;
        }
        canvas.finish(bottom + 6.0)
    }

    fn draw_cell(&self, canvas: &mut Canvas, a: Area, cell: &Cell) {
        let centre = a.x + a.w / 2.0;
        let frame = Pen::solid(Colour::Frame, 0.8);
        canvas.open_tip(&cell.tip);
        match &cell.level {
            CellLevel::Wanted => {
                canvas.rect(a, Some(Colour::Ground), Some(Pen::solid(Colour::Ink, 2.0)));
                let style = Type::new(TEXT, Colour::Ink, Anchor::Middle).bold();
                canvas.text((centre, a.y + 18.0), style, "0");
                canvas.text((centre, a.y + 32.0), Type::new(10.0, Colour::Ink, Anchor::Middle), "wanted");
            }
            CellLevel::Level { dbc, value, band } => {
                let step = self.step(*dbc);
                canvas.rect(a, Some(Colour::Heat(step)), None);
                let ink = Colour::HeatInk(step);
                let y = if band.is_empty() { a.y + 24.0 } else { a.y + 18.0 };
                let size = TEXT.min(TEXT * (a.w - 4.0) / text_width(value, TEXT));
                canvas.text((centre, y), Type::new(size, ink, Anchor::Middle), value);
                let size = 10f64.min(10.0 * (a.w - 4.0) / text_width(band, 10.0).max(1.0));
                if !band.is_empty() {
                    canvas.text((centre, a.y + 33.0), Type::new(size, ink, Anchor::Middle), band);
                }
            }
            CellLevel::NotClaimed | CellLevel::NoValue => {
                let claim = matches!(cell.level, CellLevel::NotClaimed);
                let words = if claim { ["not", "claimed"] } else { ["no", "value"] };
                debug_assert_eq!(NO_VALUE, "no value");
                canvas.rect(a, None, Some(frame));
                let mut hatch = String::new();
                for k in 0..6 {
                    let x = a.x + 2.0 + 11.0 * f64::from(k);
                    let _ = write!(hatch, "M{} {}l5 -5M{} {}l5 -5", xy(x), xy(a.y + 7.0), xy(x), xy(a.y + a.h - 2.0));
                }
                canvas.path(&hatch, None, Some(Pen::solid(Colour::Hair, 1.0)), 1.0);
                let style = Type::new(10.0, Colour::Soft, Anchor::Middle);
                canvas.text((centre, a.y + 18.0), style, words[0]);
                canvas.text((centre, a.y + 29.0), style, words[1]);
            }
        }
        if cell.cancelled {
            let (x, y) = (a.x + a.w - 9.0, a.y);
            let ink = match &cell.level {
                CellLevel::Level { dbc, .. } => Colour::HeatInk(self.step(*dbc)),
                _ => Colour::Soft,
            };
            canvas.path(&format!("M{} {}h9v9z", xy(x), xy(y)), Some(ink), None, 1.0);
        }
        canvas.close_tip();
    }

    /// Heat step of a level; the scale ends at 0 dBc.
    fn step(&self, dbc: f64) -> usize {
        let floor = if self.floor_dbc.is_finite() && self.floor_dbc < 0.0 { self.floor_dbc } else { -120.0 };
        let u = (1.0 - dbc / floor).clamp(0.0, 1.0);
        ((u * HEAT as f64) as usize).min(HEAT - 1)
    }

    fn draw_scale(&self, canvas: &mut Canvas, top: f64, width: f64) -> f64 {
        let floor = if self.floor_dbc.is_finite() && self.floor_dbc < 0.0 { self.floor_dbc } else { -120.0 };
        let w = ((width - LEFT - 40.0) / HEAT as f64).min(44.0);
        for i in 0..HEAT {
            let area = Area { x: LEFT + w * i as f64, y: top, w, h: 10.0 };
            canvas.rect(area, Some(Colour::Heat(i)), Some(Pen::solid(Colour::Hair, 0.8)));
        }
        let style = Type::new(10.0, Colour::Soft, Anchor::Middle);
        for i in (0..=HEAT).step_by(2) {
            let level = floor * (1.0 - i as f64 / HEAT as f64);
            canvas.text((LEFT + w * i as f64, top + 22.0), style, &typeset(&fixed(level, 0)));
        }
        canvas.text((6.0, top + 9.0), Type::new(SMALL, Colour::Soft, Anchor::Start), "dBc");
        top + 30.0
    }
}
