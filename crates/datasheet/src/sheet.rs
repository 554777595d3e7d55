//! What a datasheet is made from.

use spec::{Measure, Review};

/// Everything a datasheet says.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Name of the part.
    pub name: String,
    /// What it is, in a few words, for example `Ring mixer, four diodes`.
    pub kind: String,
    /// Revision of the document, as the author counts.
    pub revision: String,
    /// Where it came from: what, and its hash or version.
    pub origin: Vec<(String, String)>,
    /// What the maker of the model has to say: watermark, expiry, withheld parts; shown on the first page.
    pub notices: Vec<String>,
    /// The numbers.
    pub review: Review,
    /// RF band, hertz.
    pub rf_band_hz: (f64, f64),
    /// IF band, hertz.
    pub if_band_hz: (f64, f64),
    /// Range of LO level the customer may apply, dBm.
    pub lo_range_dbm: (f64, f64),
    /// Units measured; none when the datasheet is simulated.
    pub measured: Option<Measured>,
    /// Absolute maximum ratings.
    pub ratings: Vec<Rating>,
    /// Path of direct current from each port to ground.
    pub direct_paths: Vec<Path>,
    /// Lengths between mixer and a reflecting filter to stay away from; none when not studied.
    pub keep_out: Option<Vec<KeepOut>>,
}

/// Numbers of measured units.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Readings of units.
    pub samples: Vec<Sample>,
    /// Share of units a guaranteed bound must hold for, 0…1.
    pub coverage: f64,
    /// Confidence of that statement, 0…1.
    pub confidence: f64,
    /// Where they come from, in words.
    pub source: String,
}

/// One number of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// What it is.
    pub measure: Measure,
    /// RF at which it was taken, hertz; none where it does not matter.
    pub rf_hz: Option<f64>,
    /// Lot.
    pub lot: String,
    /// Unit.
    pub unit: String,
    /// Value in the unit of the measure.
    pub value: f64,
    /// True when the bench saw only its floor: the value is a bound, not a number.
    pub at_floor: bool,
}

/// An absolute maximum rating.
#[derive(Debug, Clone, PartialEq)]
pub struct Rating {
    /// What.
    pub name: String,
    /// Value with unit.
    pub value: String,
    /// From what it follows.
    pub from: String,
}

/// Direct-current resistance seen at a port, without LO.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// Port.
    pub port: String,
    /// Resistance to ground with the other ports terminated, ohm; infinite for none.
    pub ohm: f64,
}

/// A stretch of line lengths between mixer and reflecting filter that harms.
#[derive(Debug, Clone, PartialEq)]
pub struct KeepOut {
    /// What reflects: port and frequency in words.
    pub what: String,
    /// From this length, metre.
    pub from_m: f64,
    /// To this length, metre.
    pub to_m: f64,
    /// What happens there.
    pub harm: String,
}
