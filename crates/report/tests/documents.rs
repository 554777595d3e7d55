//! What leaves the crate is well formed, complete and the same numbers that went in.

mod sample;

use mixwright_report as report;
use proptest::prelude::*;
use sample::stress;
use spec::{Item, Measure, Review};

fn reviews() -> Vec<(&'static str, Review)> {
    vec![
        ("sample", sample::review()),
        ("empty", stress::empty()),
        ("broken", stress::broken()),
        ("crowded", stress::crowded()),
    ]
}

fn parse(text: &str) -> roxmltree::Document<'_> {
    let options = roxmltree::ParsingOptions { allow_dtd: true, ..roxmltree::ParsingOptions::default() };
    roxmltree::Document::parse_with_options(text, options).expect("well-formed XML")
}

#[test]
fn pages_are_well_formed_and_need_nothing_from_elsewhere() {
    for (name, review) in reviews() {
        let html = report::html(&review);
        let doc = parse(&html);
        for node in doc.descendants().filter(|n| n.is_element()) {
            let tag = node.tag_name().name();
            assert!(!matches!(tag, "script" | "link" | "img" | "iframe" | "object"), "{name}: <{tag}>");
            for attribute in node.attributes() {
                let value = attribute.value();
                assert!(attribute.name() != "src", "{name}: {value}");
                assert!(attribute.name() != "href" || value.starts_with('#'), "{name}: {value}");
                assert!(!attribute.name().starts_with("on"), "{name}: {}", attribute.name());
            }
        }
        assert!(!html.contains("url(") && !html.contains("@import"), "{name}: style sheet loads something");
        assert!(!html.contains("NaN"), "{name}: a number that is none was printed as NaN");
    }
}

#[test]
fn every_link_of_the_contents_has_its_target() {
    let html = report::html(&sample::review());
    let doc = parse(&html);
    let ids: Vec<&str> = doc.descendants().filter_map(|n| n.attribute("id")).collect();
    let mut unique = ids.clone();
    unique.sort_unstable();
    unique.dedup();
    assert_eq!(unique.len(), ids.len(), "doubled id");
    let links: Vec<&str> = doc.descendants().filter_map(|n| n.attribute("href")).collect();
    assert!(links.len() >= 10);
    for link in links {
        assert!(ids.contains(&&link[1..]), "{link} leads nowhere");
    }
}

#[test]
fn names_keep_their_hyphens_and_numbers_get_a_minus() {
    let html = report::html(&sample::review());
    let doc = parse(&html);
    let cells: Vec<&str> = doc.descendants().filter(|n| n.has_tag_name("td")).filter_map(|n| n.text()).collect();
    assert!(cells.contains(&"L-R") && !cells.contains(&"L−R"));
    assert!(cells.contains(&"−49.7") || cells.contains(&"−49.70"));
    assert!(!cells.iter().any(|c| c.starts_with('-')), "a number with a hyphen for its minus");
}

#[test]
fn hostile_names_stay_text() {
    let html = report::html(&stress::broken());
    assert!(!html.contains("<script"));
    assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    for text in [html, report::summary_text(&stress::broken())] {
        assert!(!text.contains('\u{1b}') && !text.contains('\u{0}'), "control characters reach the reader");
    }
}

#[test]
fn pictures_stand_alone_with_unique_plain_names() {
    for (name, review) in reviews() {
        let pictures = report::pictures(&review);
        let mut names: Vec<&String> = pictures.iter().map(|p| &p.0).collect();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), pictures.len(), "{name}: two pictures with one name");
        for (file, svg) in &pictures {
            let stem = file.strip_suffix(".svg").expect("a picture is an svg file");
            assert!(stem.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-'), "{file}");
            let doc = parse(svg);
            assert_eq!(doc.root_element().tag_name().name(), "svg");
            assert!(!svg.contains("class=") && !svg.contains("var("), "{file} needs a style sheet");
            for number in ["NaN", "inf"] {
                let bad = doc
                    .descendants()
                    .flat_map(|n| n.attributes())
                    .find(|a| a.name() != "aria-label" && a.value().contains(number));
                assert!(bad.is_none(), "{file}: {bad:?}");
            }
        }
    }
    // 13 line plots, 4 junctions, 2 grids, 1 Smith display, a distribution, bars and a drawing, 2 phasor diagrams of
    // headline numbers.
    assert_eq!(report::pictures(&sample::review()).len(), 25);
}

#[test]
fn a_picture_without_numbers_says_so() {
    let pictures = report::pictures(&stress::empty());
    for (file, svg) in pictures.iter().filter(|(f, _)| f.contains("curves") || f.contains("smith")) {
        assert!(svg.contains("no value"), "{file}");
    }
    assert!(report::html(&stress::broken()).contains("no value"));
    assert!(report::summary_text(&stress::broken()).contains("no value"));
}

#[test]
fn levels_below_the_floor_are_not_claimed_anywhere() {
    let review = sample::review();
    let html = report::html(&review);
    let doc = parse(&html);
    let said = doc
        .descendants()
        .filter(|n| n.has_tag_name("td"))
        .filter(|n| n.text().is_some_and(|t| t.starts_with("not claimed")))
        .count();
    let below = sample::spur_grid().entries.iter().filter(|e| e.reading.value < -100.0).count();
    assert!(below > 5);
    assert_eq!(said, below);
    assert!(!html.contains("−130.8"), "a level below the floor was printed");
    let unclaimed = report::csv(&review).lines().filter(|l| l.contains(",dBc,false,")).count();
    assert_eq!(unclaimed, below);
}

/// All readings of a review, in the order of the CSV rows.
fn readings(review: &Review) -> Vec<&spec::Reading> {
    let mut out: Vec<&spec::Reading> = review.summary.iter().collect();
    for item in review.sections.iter().flat_map(|s| &s.items) {
        match item {
            Item::Curves(p) => out.extend(p.curves.iter().flat_map(|c| c.points.iter().map(|p| &p.1))),
            Item::Spurs(g) => out.extend(g.entries.iter().map(|e| &e.reading)),
            Item::Table(t) => out.extend(&t.readings),
            Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => {}
        }
    }
    out
}

#[test]
fn csv_has_a_row_of_documented_columns_for_every_reading() {
    for (name, review) in reviews() {
        let text = report::csv(&review);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let header = reader.headers().expect("a header").clone();
        let column = |name: &str| header.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"));
        let [value, key, unit, band] = ["value", "key", "unit", "numeric_band"].map(column);
        for unit_name in
            ["lo_hz", "rf_hz", "if_hz", "lo_dbm", "signal_dbm", "temp_k", "cancellation_ratio_db", "product_hz"]
        {
            column(unit_name);
        }
        let rows: Vec<csv::StringRecord> = reader.records().map(|r| r.expect("as many cells as headers")).collect();
        let expected = readings(&review);
        assert_eq!(rows.len(), expected.len(), "{name}");
        for (row, reading) in rows.iter().zip(expected) {
            assert_eq!(&row[key], reading.measure.key());
            assert_eq!(&row[unit], reading.measure.unit());
            let same = |cell: &str, v: f64| {
                if v.is_finite() {
                    cell.parse::<f64>().expect("a number").to_bits() == v.to_bits()
                } else {
                    cell.is_empty()
                }
            };
            assert!(same(&row[value], reading.value), "{name}: {} is not {}", &row[value], reading.value);
            assert!(same(&row[band], reading.quality.numeric_band.unwrap_or(f64::NAN)), "{name}");
        }
    }
}

#[test]
fn json_reads_back_to_what_was_written() {
    for (name, review) in reviews() {
        let text = report::json(&review);
        let found = report::json::read(&text).expect("our own format");
        assert_eq!(found, report::json::file(&review), "{name}");
        assert_eq!(found.summary.len(), review.summary.len());
        for (file, reading) in found.summary.iter().zip(&review.summary) {
            assert_eq!(file.value.map(f64::to_bits), reading.value.is_finite().then(|| reading.value.to_bits()));
            assert_eq!(file.key, reading.measure.key());
        }
    }
}

#[test]
fn json_of_another_kind_is_refused_with_the_way_out() {
    let error = report::json::read("{}").expect_err("not a review").to_string();
    assert!(error.starts_with("expected a review in the format `mixwright-review`, found: missing field"), "{error}");
    let later = report::json(&sample::review()).replacen("\"version\": 1", "\"version\": 7", 1);
    let error = report::json::read(&later).expect_err("a later version").to_string();
    assert_eq!(
        error,
        "expected format `mixwright-review` version 1, found `mixwright-review` version 7; write it again with this program"
    );
}

proptest! {
    #[test]
    fn any_number_survives_json_to_the_bit(value in any::<f64>()) {
        let mut review = stress::empty();
        review.summary = vec![sample::reading(Measure::Flatness, value, 23.0, Some(value.abs()))];
        let found = report::json::read(&report::json(&review)).expect("our own format");
        prop_assert_eq!(found.summary[0].value.map(f64::to_bits), value.is_finite().then(|| value.to_bits()));
    }
}

#[test]
fn summary_text_is_aligned_and_narrow() {
    for (name, review) in reviews() {
        let text = report::summary_text(&review);
        for line in text.lines() {
            assert!(line.chars().count() <= 100, "{name}: {line}");
            assert_eq!(line, line.trim_end(), "{name}: trailing blanks");
        }
    }
    // Pinned: shows every change of the text, proves no number.
    assert_eq!(report::summary_text(&sample::review()), include_str!("data/summary.txt"));
}

#[test]
fn sums_of_verdicts_are_told_in_words_and_symbols() {
    let html = report::html(&sample::review());
    let doc = parse(&html);
    let tally = doc.descendants().find(|n| n.attribute("class") == Some("tally")).expect("a tally");
    let words: String =
        tally.descendants().filter_map(|n| n.text().filter(|_| n.is_text())).collect::<Vec<_>>().join(" ");
    assert_eq!(
        words.split_whitespace().collect::<Vec<_>>().join(" "),
        "✗ 1 fail ? 2 undecided ✓ 3 pass ○ 1 not computed"
    );
}
