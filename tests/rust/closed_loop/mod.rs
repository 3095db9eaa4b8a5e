//! Balancing in a closed loop: rotors of which everything is known are balanced by what their spins tell, and
//! beside it as a textbook does, while disasters strike.

mod advised;
mod column;
mod figures;
mod oracle;
mod rig;
mod rotor;
mod strike;
mod textbook;

use column::COLUMNS;
use figures::Tally;
use rig::Layout;
use rotor::Case;

#[test]
fn jobs_end_sooner_and_more_surely_than_by_the_book() {
    for column in COLUMNS {
        let case = Case { layout: Layout::Plain, column, disasters: false };
        let ours = Tally::of(&figures::run(0..60, case, advised::run));
        let book = Tally::of(&figures::run(0..60, case, textbook::run));
        let told = format!("{}: {ours:?}, by the book {book:?}", column.name);
        assert!(ours.passed >= 57 && ours.within + 1 >= ours.passed, "{told}");
        assert!(ours.corrections <= book.corrections + 0.05, "{told}");
        if column.noise > 0.1 {
            assert!(ours.within * book.passed > book.within * ours.passed, "{told}");
            assert!(ours.corrections < book.corrections - 0.3, "{told}");
        }
    }
}

/// The figures of 1 000 jobs for each layout and column: one line of JSON on stdout.
#[test]
#[ignore = "long: 1 000 jobs for each column"]
fn closed_loop_figures() {
    println!("FIGURES {}", all(0..1000));
}

pub fn all(seeds: std::ops::Range<u64>) -> serde_json::Value {
    let mut rows = Vec::new();
    for layout in Layout::ALL {
        for column in COLUMNS {
            for disasters in [false, true] {
                let case = Case { layout, column, disasters };
                let methods: [(&str, fn(u64, Case) -> rotor::Outcome); 3] = [
                    ("as advised", advised::run),
                    ("by the book", textbook::run),
                    ("oracle", oracle::run),
                ];
                for (method, job) in methods {
                    let tally = Tally::of(&figures::run(seeds.clone(), case, job));
                    rows.push(tally.json(&case, method));
                }
            }
        }
    }
    serde_json::json!({ "jobs": seeds.end - seeds.start, "rows": rows })
}
