//! Balancing in a closed loop: rotors of which everything is known are balanced by what their spins tell, and
//! beside it as a textbook does, while disasters strike.

mod advised;
mod column;
mod figures;
mod oracle;
mod recorded;
mod rig;
mod rotor;
mod strike;
mod textbook;

use column::COLUMNS;
use figures::Tally;
use rig::Layout;
use rotor::{Case, Outcome};

#[test]
fn jobs_end_sooner_and_more_surely_than_by_the_book() {
    for column in COLUMNS {
        let case = Case { layout: Layout::Plain, column, disasters: false, recorded: false };
        let ours = Tally::of(&figures::run(0..40, case, advised::run));
        let book = Tally::of(&figures::run(0..40, case, textbook::run));
        let told = format!("{}: {ours:?}, by the book {book:?}", column.name);
        assert!(ours.passed >= 38 && ours.within + 1 >= ours.passed, "{told}");
        assert!(ours.corrections <= book.corrections + 0.05, "{told}");
        if column.noise > 0.1 {
            assert!(ours.within * book.passed > book.within * ours.passed, "{told}");
            assert!(ours.corrections < book.corrections - 0.3, "{told}");
        }
    }
}

/// A few jobs of which the readings come from recordings.
#[test]
fn readings_from_recordings_do_as_well() {
    let column = COLUMNS[1];
    let case = Case { layout: Layout::TwoSensors, column, disasters: false, recorded: true };
    let ours = Tally::of(&figures::run(0..6, case, advised::run));
    assert!(ours.refused <= 1 && ours.passed + ours.refused == 6, "{ours:?}");
    assert!(ours.within == ours.passed && ours.corrections < 2.5, "{ours:?}");
}

/// Most disasters stop the job, and the first or second suspect is the one.
#[test]
fn disasters_are_stopped_and_named() {
    let case = Case { layout: Layout::Plain, column: COLUMNS[1], disasters: true, recorded: false };
    let ours = Tally::of(&figures::run(0..80, case, advised::run));
    let named = ours.named_first[1] + ours.named_second[1];
    assert!(ours.strikes[1] >= 4 && named + 1 >= ours.strikes[1], "{ours:?}");
    assert!(ours.false_stops <= 3, "{ours:?}");
}

/// The figures of 1 000 jobs for each layout and column, and of 100 with recordings: one line of JSON on
/// stdout. `QUIETSPIN_JOBS` sets another number, recordings for a tenth of it.
#[test]
#[ignore = "long: 1 000 jobs for each column"]
fn closed_loop_figures() {
    let jobs = std::env::var("QUIETSPIN_JOBS").ok().and_then(|jobs| jobs.parse().ok());
    println!("FIGURES {}", all(jobs.unwrap_or(1000)));
}

/// A way to balance a rotor: from a seed and a case to how it went.
type Method = fn(u64, Case) -> Outcome;

fn all(jobs: u64) -> serde_json::Value {
    let methods: [(&str, Method); 3] =
        [("as advised", advised::run), ("by the book", textbook::run), ("oracle", oracle::run)];
    let mut rows = Vec::new();
    let mut add = |case: Case, jobs: u64| {
        for (method, job) in methods {
            rows.push(Tally::of(&figures::run(0..jobs, case, job)).json(&case, method));
        }
    };
    for layout in Layout::ALL {
        for column in COLUMNS {
            let plain = Case { layout, column, disasters: false, recorded: false };
            // plain numbers stand beside other measurements, which knew no disasters
            if layout != Layout::OneSensor {
                add(plain, jobs);
            }
            if layout != Layout::Plain {
                add(Case { disasters: true, ..plain }, jobs);
            }
            if layout == Layout::TwoSensors {
                add(Case { layout, column, disasters: true, recorded: true }, jobs / 10);
            }
        }
    }
    serde_json::json!({ "jobs": jobs, "rows": rows })
}
