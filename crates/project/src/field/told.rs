//! Progress of a field solution in words a designer can follow.
//!
//! The solver tells factorisations and refinements as they come; here each stands under the step it belongs to:
//! which mesh, which full solution of the response over the band, which derivative.

use numerics::{Cancelled, Watch};
use std::sync::{Mutex, PoisonError};

/// Passes steps on under the name of a part and the step they belong to.
pub(super) struct Told<'a> {
    part: &'a str,
    inner: &'a dyn Watch,
    outer: Mutex<String>,
}

impl<'a> Told<'a> {
    pub(super) fn new(part: &'a str, inner: &'a dyn Watch) -> Self {
        Self { part, inner, outer: Mutex::new(part.to_string()) }
    }
}

impl Watch for Told<'_> {
    fn step(&self, what: &str, done: usize, total: usize) -> Result<(), Cancelled> {
        let mut outer = self.outer.lock().unwrap_or_else(PoisonError::into_inner);
        let (now, part) = (done + 1, self.part);
        match what {
            "" => return self.inner.step("", done, total),
            "meshes" => *outer = format!("{part}: mesh {now} of at most {total}"),
            "full solutions" => *outer = format!("{part}: response, full solution {now} of at most {total}"),
            "derivatives" => *outer = format!("{part}: derivatives of {total} numbers"),
            // the work inside of a step moves its bar, not its name
            _ => {}
        }
        self.inner.step(&outer, done, total)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Heard(Mutex<Vec<String>>);

    impl Watch for Heard {
        fn step(&self, what: &str, done: usize, total: usize) -> Result<(), Cancelled> {
            self.0.lock().expect("not poisoned").push(format!("{what} {done}/{total}"));
            if done == 7 { Err(Cancelled) } else { Ok(()) }
        }
    }

    #[test]
    fn inner_work_stands_under_its_step_and_a_wish_to_stop_comes_through() {
        let heard = Heard(Mutex::default());
        let told = Told::new("LO", &heard);
        told.step("meshes", 1, 6).expect("go on");
        told.step("factorise", 3, 40).expect("go on");
        told.step("", 0, 0).expect("go on");
        assert_eq!(told.step("factorise", 7, 40), Err(Cancelled));
        let said = heard.0.lock().expect("not poisoned").clone();
        let mesh = "LO: mesh 2 of at most 6";
        assert_eq!(said, [format!("{mesh} 1/6"), format!("{mesh} 3/40"), " 0/0".into(), format!("{mesh} 7/40")]);
    }
}
