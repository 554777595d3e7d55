//! The ledger of the demonstration: the story's numbers within sampling error, learned bands, edits found.

use mixwright_project as project;
use project::ledger;
use proof::{CheckValue, Origin};
use std::path::{Path, PathBuf};

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/lots").join(name)
}

fn fresh(name: &str) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("mixwright-{name}-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a temporary folder");
    folder.join("history.ledger")
}

#[test]
fn earlier_designs_teach_the_numbers_of_the_story() {
    let path = fresh("story");
    let entries = ledger::read_comparisons(&data("earlier-designs.csv")).expect("shipped");
    assert_eq!(entries.len(), 43);
    ledger::append(&path, &entries).expect("appended");
    let learning = ledger::read(&path, 0.9).expect("whole");
    // class, numbers, mean, standard deviation, dB
    let story = [
        ("loss", 215, 0.35, 0.28),
        ("return_loss_8_15", 258, -0.3, 1.1),
        ("isolation_30_40", 52, -2.4, 3.9),
        ("isolation_above_40", 61, -8.1, 6.6),
        ("product_60_80", 150, 0.3, 1.9),
        ("product_even_even", 70, 1.5, 4.4),
    ];
    for (class, n, mean, sd) in story {
        let learned = learning.class(class).expect("43 designs carry 90 %");
        assert_eq!(learned.n_values, n, "{class}");
        // the share common to a design leaves about 43 independent numbers at worst
        let error = 3.0 * sd / 43f64.sqrt();
        let origin = Origin::Derived { how: "law the data were drawn from" };
        let because = "three standard errors of 43 designs";
        CheckValue { what: class, expected: mean, within: error, because, origin }.check(learned.mean);
        CheckValue { what: class, expected: sd, within: error, because, origin }.check(learned.sd);
        let score = learning.classes.iter().find(|c| c.class == class).and_then(|c| c.left_out).expect("43 designs");
        assert!((0.8..=1.0).contains(&score.inside), "{class}: {score:?}");
    }
    assert!(learning.learned_band("loss", 7.0).is_some());
    assert!(learning.learned_band("loss", 25.0).is_none(), "outside experience");
    assert!(learning.learned_band("unheard_of", 7.0).is_none());
    assert!(ledger::append(&path, &entries[..1]).is_err(), "an entry is never replaced");
}

#[test]
fn more_is_refused_than_43_designs_carry() {
    let path = fresh("refused");
    ledger::append(&path, &ledger::read_comparisons(&data("earlier-designs.csv")).expect("shipped")).expect("appended");
    let learning = ledger::read(&path, 0.99).expect("whole");
    let why = learning.classes[0].learned.as_ref().expect_err("99 % needs 199 designs");
    assert!(why.contains("needs at least 199 designs"), "{why}");
}

#[test]
fn tables_with_mistakes_are_refused_with_their_line() {
    let folder = fresh("tables");
    let path = folder.with_extension("csv");
    let text = std::fs::read_to_string(data("lead-times.csv")).expect("shipped").replacen(",V27", ",", 1);
    std::fs::write(
        &path,
        text.replacen("fabrication,2021-01-15,Ashgill Thin Film,", "fabrication,2021-01-15,Ashgill Thin Film,x", 1),
    )
    .expect("written");
    let error = ledger::read_durations(&path).expect_err("a wrong cell").to_string();
    assert!(error.contains("line 3") && error.contains("expected a number in column `duration (weeks)`"), "{error}");
}
