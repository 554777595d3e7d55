//! Colours of pictures and pages, for light and dark grounds.
//!
//! Series colours start from the set of Okabe and Ito, "Color Universal Design" (2008): blue,
//! vermilion, bluish green, reddish purple, orange/yellow, black. Their lightness was moved until
//! every colour stands out from its ground and the least distance between any two, also for
//! protan, deutan and tritan readers, is as large as we found; the tests compute both figures.
//! Colour never carries meaning alone: line styles and marker shapes differ too.

/// Number of distinct series colours; later series repeat them with other line styles.
pub const SERIES: usize = 6;
/// Number of steps of the heat map.
pub const HEAT: usize = 8;

/// What a colour is used for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Colour {
    /// Paper.
    Ground,
    /// Text and strong lines.
    Ink,
    /// Secondary text.
    Soft,
    /// Grid lines.
    Hair,
    /// Axes.
    Frame,
    /// Limit lines and their hatching.
    Limit,
    /// A series, counted from zero.
    Series(usize),
    /// A step of the heat map, from zero (low level) to [`HEAT`]` - 1` (high level).
    Heat(usize),
    /// Text on the heat-map step of the same number.
    HeatInk(usize),
    /// Good news.
    Good,
    /// Bad news.
    Bad,
    /// Open question.
    Open,
}

const SERIES_LIGHT: [&str; SERIES] = ["#0072b2", "#d55e00", "#005a40", "#95577a", "#614000", "#23272b"];
const SERIES_DARK: [&str; SERIES] = ["#56b4e9", "#ff7f2a", "#008f68", "#d7a0bd", "#f0e442", "#f2f4f6"];
// One hue, even steps of lightness; higher levels stand further from the ground.
const HEAT_LIGHT: [&str; HEAT] =
    ["#f3f7fa", "#dceaf3", "#bfd9ea", "#9cc3de", "#74a9cf", "#3d84b8", "#1c6299", "#0a3f6b"];
const HEAT_DARK: [&str; HEAT] =
    ["#1c2329", "#20303d", "#253f52", "#2b506b", "#336788", "#4a86ad", "#7db2d6", "#c3e2f7"];
const HEAT_INK_LIGHT: [&str; HEAT] =
    ["#1a1d20", "#1a1d20", "#1a1d20", "#1a1d20", "#1a1d20", "#000000", "#ffffff", "#ffffff"];
const HEAT_INK_DARK: [&str; HEAT] =
    ["#e6e9ec", "#e6e9ec", "#ffffff", "#ffffff", "#ffffff", "#000000", "#0d1114", "#0d1114"];

impl Colour {
    /// Every colour once.
    pub fn all() -> Vec<Self> {
        let mut all = vec![
            Self::Ground,
            Self::Ink,
            Self::Soft,
            Self::Hair,
            Self::Frame,
            Self::Limit,
            Self::Good,
            Self::Bad,
            Self::Open,
        ];
        all.extend((0..SERIES).map(Self::Series));
        all.extend((0..HEAT).flat_map(|i| [Self::Heat(i), Self::HeatInk(i)]));
        all
    }

    /// Colour on a light ground, `#rrggbb`.
    pub fn light(self) -> &'static str {
        match self {
            Self::Ground => "#ffffff",
            Self::Ink => "#1a1d20",
            Self::Soft => "#555d65",
            Self::Hair => "#e3e7ea",
            Self::Frame => "#8a929a",
            Self::Limit => "#6b3f2a",
            Self::Series(i) => SERIES_LIGHT[i % SERIES],
            Self::Heat(i) => HEAT_LIGHT[i.min(HEAT - 1)],
            Self::HeatInk(i) => HEAT_INK_LIGHT[i.min(HEAT - 1)],
            Self::Good => "#005a40",
            Self::Bad => "#a63c00",
            Self::Open => "#614000",
        }
    }

    /// Colour on a dark ground, `#rrggbb`.
    pub fn dark(self) -> &'static str {
        match self {
            Self::Ground => "#15181b",
            Self::Ink => "#e6e9ec",
            Self::Soft => "#a7b0b8",
            Self::Hair => "#2a3036",
            Self::Frame => "#7b848d",
            Self::Limit => "#d8a58c",
            Self::Series(i) => SERIES_DARK[i % SERIES],
            Self::Heat(i) => HEAT_DARK[i.min(HEAT - 1)],
            Self::HeatInk(i) => HEAT_INK_DARK[i.min(HEAT - 1)],
            Self::Good => "#3ecf9f",
            Self::Bad => "#ff8f47",
            Self::Open => "#f0e442",
        }
    }

    /// Name of the style-sheet variable, without the leading dashes.
    pub fn name(self) -> String {
        match self {
            Self::Ground => "ground".into(),
            Self::Ink => "ink".into(),
            Self::Soft => "soft".into(),
            Self::Hair => "hair".into(),
            Self::Frame => "frame".into(),
            Self::Limit => "limit".into(),
            Self::Series(i) => format!("s{}", i % SERIES),
            Self::Heat(i) => format!("h{}", i.min(HEAT - 1)),
            Self::HeatInk(i) => format!("hi{}", i.min(HEAT - 1)),
            Self::Good => "good".into(),
            Self::Bad => "bad".into(),
            Self::Open => "open".into(),
        }
    }
}

/// Style sheet that gives embedded pictures their colours: variables for light, dark and print,
/// and the classes `f-…` (fill) and `k-…` (stroke) that use them.
pub fn style_sheet() -> String {
    let variables = |pick: fn(Colour) -> &'static str| {
        Colour::all().into_iter().map(|c| format!("--{}:{};", c.name(), pick(c))).collect::<String>()
    };
    let (light, dark) = (variables(Colour::light), variables(Colour::dark));
    let classes: String = Colour::all()
        .into_iter()
        .map(|c| format!(".f-{0}{{fill:var(--{0})}}.k-{0}{{stroke:var(--{0})}}\n", c.name()))
        .collect();
    format!(
        ":root{{color-scheme:light dark;{light}}}\n\
         @media (prefers-color-scheme:dark){{:root{{{dark}}}}}\n\
         @media print{{:root{{color-scheme:light;{light}}}}}\n{classes}"
    )
}

/// Dash pattern of a series (empty = solid), as in the `stroke-dasharray` attribute.
pub(crate) fn dash(series: usize) -> &'static str {
    ["", "7 3", "2 2.5", "9 3 2 3", "13 4", "5 2 1 2 1 2"][(series + series / SERIES) % 6]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proof::{CheckValue, Origin};

    fn linear(hex: &str) -> [f64; 3] {
        std::array::from_fn(|i| {
            let c = f64::from(u8::from_str_radix(&hex[1 + 2 * i..3 + 2 * i], 16).expect("two hex digits")) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        })
    }

    /// Contrast ratio. Source: W3C, Web Content Accessibility Guidelines 2.2, definitions of
    /// "relative luminance" and "contrast ratio".
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |hex: &str| {
            let [r, g, b] = linear(hex);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// CIE 1976 L*a*b*, white D65. Source: IEC 61966-2-1 (sRGB to XYZ), CIE 15.
    fn lab([r, g, b]: [f64; 3]) -> [f64; 3] {
        let f = |t: f64| if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
        let x = f((0.412_456_4 * r + 0.357_576_1 * g + 0.180_437_5 * b) / 0.950_47);
        let y = f(0.212_672_9 * r + 0.715_152_2 * g + 0.072_175_0 * b);
        let z = f((0.019_333_9 * r + 0.119_192_0 * g + 0.950_304_1 * b) / 1.088_83);
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    /// What a reader without one cone type sees. Source: Machado, Oliveira, Fernandes,
    /// "A physiologically-based model for simulation of color vision deficiency" (2009), severity
    /// 1.0 (from memory; the rows add to one, as they must for grey to stay grey).
    const VISION: [[f64; 9]; 4] = [
        [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0],
        [0.152_286, 1.052_583, -0.204_868, 0.114_503, 0.786_281, 0.099_216, -0.003_882, -0.048_116, 1.051_998],
        [0.367_322, 0.860_646, -0.227_968, 0.280_085, 0.672_501, 0.047_413, -0.011_820, 0.042_940, 0.968_881],
        [1.255_528, -0.076_749, -0.178_779, -0.078_411, 0.930_809, 0.147_602, 0.004_733, 0.691_367, 0.303_900],
    ];

    fn seen(matrix: &[f64; 9], c: [f64; 3]) -> [f64; 3] {
        std::array::from_fn(|i| (0..3).map(|j| matrix[3 * i + j] * c[j]).sum::<f64>().clamp(0.0, 1.0))
    }

    #[test]
    fn contrast_formula_gives_the_known_end_point() {
        CheckValue {
            what: "contrast of black on white",
            expected: 21.0,
            within: 1e-9,
            because: "exact by the formula",
            origin: Origin::Published { source: "W3C, WCAG 2.2, contrast ratio: 1 to 21" },
        }
        .check(contrast("#000000", "#ffffff"));
    }

    #[test]
    fn text_and_lines_stand_out_from_their_ground() {
        // WCAG 2.2, 1.4.3: text 4.5; 1.4.11: graphical objects 3.
        for pick in [Colour::light as fn(Colour) -> &'static str, Colour::dark] {
            let ground = pick(Colour::Ground);
            for text in [Colour::Ink, Colour::Soft, Colour::Good, Colour::Bad, Colour::Open, Colour::Limit] {
                assert!(contrast(pick(text), ground) >= 4.5, "{text:?} {}", contrast(pick(text), ground));
            }
            for line in (0..SERIES).map(Colour::Series).chain([Colour::Frame]) {
                assert!(contrast(pick(line), ground) >= 3.0, "{line:?} {}", contrast(pick(line), ground));
            }
            for i in 0..HEAT {
                let c = contrast(pick(Colour::Heat(i)), pick(Colour::HeatInk(i)));
                assert!(c >= 4.5, "text on heat step {i}: {c}");
            }
        }
    }

    #[test]
    fn series_differ_for_every_reader() {
        for pick in [Colour::light as fn(Colour) -> &'static str, Colour::dark] {
            for matrix in &VISION {
                for a in 0..SERIES {
                    for b in 0..a {
                        let [p, q] = [a, b].map(|i| lab(seen(matrix, linear(pick(Colour::Series(i))))));
                        let distance = (0..3).map(|k| (p[k] - q[k]).powi(2)).sum::<f64>().sqrt();
                        // 2.3 is one just noticeable difference (Mahy et al. 1994); we ask for seven.
                        assert!(distance > 7.0 * 2.3, "series {a} and {b}: {distance}");
                    }
                }
            }
        }
    }

    #[test]
    fn heat_steps_rise_evenly_for_every_reader() {
        for (pick, sign) in [(Colour::light as fn(Colour) -> &'static str, -1.0), (Colour::dark, 1.0)] {
            for matrix in &VISION {
                let lightness: Vec<f64> =
                    (0..HEAT).map(|i| lab(seen(matrix, linear(pick(Colour::Heat(i)))))[0]).collect();
                for pair in lightness.windows(2) {
                    assert!(sign * (pair[1] - pair[0]) > 2.3, "{lightness:?}");
                }
            }
        }
    }

    #[test]
    fn line_styles_differ_where_colours_repeat() {
        for i in 0..SERIES {
            assert_ne!(dash(i), dash(i + SERIES));
        }
    }
}
