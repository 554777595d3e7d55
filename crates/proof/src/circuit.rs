//! The netlist the control methods speak: what is connected to what.
//!
//! Conventions: SI units; node `"0"` is ground; a port is a Thevenin source `e(t)` behind `r_ohm`
//! from its first node (+) to its second, `e(t) = vdc + sum sqrt(8 r P) cos(2 pi f t + phase)`,
//! with `P` the available power. Phasors are peak, time factor `exp(+j w t)`.
//! This type is written for the controls alone and shares nothing with the netlists of the tool.

/// Boltzmann constant over the elementary charge, V/K (exact SI values, 2019).
pub const K_OVER_Q: f64 = 1.380649e-23 / 1.602176634e-19;

/// Temperature of every diode of the steady cases, K.
pub const DIODE_TEMP_K: f64 = 300.0;

/// Thermal voltage at [`DIODE_TEMP_K`], V.
pub const THERMAL_VOLTAGE_V: f64 = K_OVER_Q * DIODE_TEMP_K;

/// One sinusoid of a port.
#[derive(Debug, Clone, PartialEq)]
pub struct Tone {
    /// What the case calls it: `LO`, `RF`.
    pub name: String,
    /// Frequency, Hz.
    pub f_hz: f64,
    /// Available power, W; zero switches the tone off.
    pub available_w: f64,
    /// Phase of the cosine, rad.
    pub phase_rad: f64,
}

/// One winding of an ideal transformer; its first node carries the dot.
#[derive(Debug, Clone, PartialEq)]
pub struct Winding {
    /// Dotted node, other node.
    pub nodes: [String; 2],
    /// Relative number of turns.
    pub turns: f64,
}

/// Parameters of a diode, by the usual letters, SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiodeParameters {
    /// IS: saturation current, A.
    pub is_a: f64,
    /// N: ideality.
    pub n: f64,
    /// RS: series resistance between anode and junction, ohm.
    pub rs_ohm: f64,
    /// CJ0: zero-bias depletion capacitance, F.
    pub cj0_f: f64,
    /// VJ: built-in voltage, V.
    pub vj_v: f64,
    /// M: grading exponent.
    pub m: f64,
    /// FC: fraction of VJ above which the capacitance follows its tangent.
    pub fc: f64,
    /// TT: transit time, s.
    pub tt_s: f64,
    /// BV, IBV, NBV: reverse breakdown, if the case has it.
    pub breakdown: Option<Breakdown>,
}

/// Reverse breakdown: adds `-ibv exp(-(v + bv)/(nbv kT/q))`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breakdown {
    /// BV, V (positive).
    pub bv_v: f64,
    /// IBV, A.
    pub ibv_a: f64,
    /// NBV.
    pub nbv: f64,
}

/// What an element is.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// Source behind a resistance.
    Port {
        /// Plus node, minus node.
        nodes: [String; 2],
        /// Source resistance, ohm.
        r_ohm: f64,
        /// 1 = LO, 2 = RF, 3 = IF, 4 = bias.
        index: usize,
        /// Mean of the source, V.
        vdc_v: f64,
        /// Sinusoids of the source.
        tones: Vec<Tone>,
    },
    /// Resistor, ohm.
    Resistor {
        /// Its two nodes.
        nodes: [String; 2],
        /// Ohm.
        ohm: f64,
    },
    /// Inductor, H.
    Inductor {
        /// Its two nodes.
        nodes: [String; 2],
        /// Henry.
        henry: f64,
    },
    /// Capacitor, F.
    Capacitor {
        /// Its two nodes.
        nodes: [String; 2],
        /// Farad.
        farad: f64,
    },
    /// Coupled inductors: `v = henry * d i/dt`.
    Coupled {
        /// Node pairs; current enters the first node of each.
        branches: Vec<[String; 2]>,
        /// Inductance matrix, one row a branch, H.
        henry: Vec<Vec<f64>>,
    },
    /// Ideal transformer: `v_k / turns_k` equal, `sum turns_k i_k = 0`, valid at DC too.
    Transformer {
        /// Two windings or more.
        windings: Vec<Winding>,
    },
    /// Lossless line between two ports.
    Line {
        /// `[a, a_ref, b, b_ref]`.
        nodes: [String; 4],
        /// Characteristic impedance, ohm.
        z_ohm: f64,
        /// Delay, s.
        delay_s: f64,
    },
    /// Two coupled lossless conductors over ground, equal delays.
    CoupledLine {
        /// `[a1, a2, b1, b2]`: conductor a from a1 to a2, conductor b from b1 to b2.
        nodes: [String; 4],
        /// Even-mode impedance of one conductor, ohm.
        z_even_ohm: f64,
        /// Odd-mode impedance of one conductor, ohm.
        z_odd_ohm: f64,
        /// Delay of both modes, s.
        delay_s: f64,
    },
    /// Diode from anode to cathode.
    Diode {
        /// Anode, cathode.
        nodes: [String; 2],
        /// Its parameters.
        parameters: DiodeParameters,
    },
}

/// A named element.
#[derive(Debug, Clone, PartialEq)]
pub struct Element {
    /// Its name in the case.
    pub id: String,
    /// What it is and where it is connected.
    pub kind: Kind,
}

impl Kind {
    /// The nodes of the element in their stated order, repeated where the element says so.
    pub fn nodes(&self) -> Vec<&str> {
        match self {
            Self::Port { nodes, .. }
            | Self::Resistor { nodes, .. }
            | Self::Inductor { nodes, .. }
            | Self::Capacitor { nodes, .. }
            | Self::Diode { nodes, .. } => nodes.iter().map(String::as_str).collect(),
            Self::Coupled { branches, .. } => branches.iter().flatten().map(String::as_str).collect(),
            Self::Transformer { windings } => windings.iter().flat_map(|w| &w.nodes).map(String::as_str).collect(),
            Self::Line { nodes, .. } | Self::CoupledLine { nodes, .. } => nodes.iter().map(String::as_str).collect(),
        }
    }
}

/// Power in watt of a level in dBm.
pub fn watt_of_dbm(dbm: f64) -> f64 {
    10f64.powf((dbm - 30.0) / 10.0)
}
