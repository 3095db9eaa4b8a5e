//! Balancing in a closed loop: rotors of which everything is known are balanced by what their spins tell, and
//! beside it as a textbook does.

use std::f64::consts::TAU;

use nalgebra::DMatrix;
use num_complex::Complex64;
use quietspin::balance::design::trial_masses;
use quietspin::balance::estimate::{Correction, History, Known, Spin, Spread};
use quietspin::balance::forecast::{Aim, Outlook, advise};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A job ends here, passed or not.
const MOST_SPINS: usize = 20;
/// Unbalances are in multiples of what is permitted in each plane.
const LIMIT: f64 = 1.0;
/// Unbalance to begin with, spread evenly over its logarithm.
const UNBALANCE: (f64, f64) = (3.0, 40.0);
/// How exactly holes are drilled.
const DRILLING: Spread = Spread { share: 0.05, angle_rad: 0.034_906_6 };

/// How hard a job is.
#[derive(Debug, Clone, Copy)]
struct Column {
    name: &'static str,
    /// Noise of both parts of a reading.
    noise: f64,
    /// What a refit adds to both parts of the unbalance in a plane.
    refit: f64,
    /// How far the coefficients change up to the largest vibration, at most.
    bend: f64,
    trial: f64,
    of_type: Spread,
    known_type: bool,
}

const EASY: Column = Column {
    name: "easy, new type",
    noise: 0.05,
    refit: 0.0,
    bend: 0.0,
    trial: 10.0,
    of_type: Spread { share: 0.03, angle_rad: 0.034_906_6 },
    known_type: false,
};
const HARD: Column = Column {
    name: "hard, new type",
    noise: 0.3,
    refit: 0.15,
    bend: 0.2,
    trial: 3.0,
    of_type: Spread { share: 0.1, angle_rad: 0.122_173 },
    known_type: false,
};
const COLUMNS: [Column; 4] = [
    EASY,
    Column { name: "easy, known type", known_type: true, ..EASY },
    HARD,
    Column { name: "hard, known type", known_type: true, ..HARD },
];

/// A rotor on its rig, of which everything is known.
struct Rotor {
    rng: ChaCha8Rng,
    column: Column,
    coefficients: DMatrix<Complex64>,
    of_type: DMatrix<Complex64>,
    bend: f64,
    unbalance: [Complex64; 2],
    spins: usize,
    corrections: usize,
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn both_parts(rng: &mut ChaCha8Rng, deviation: f64) -> Complex64 {
    Complex64::new(normal(rng), normal(rng)) * deviation
}

fn scattered(rng: &mut ChaCha8Rng, spread: Spread) -> Complex64 {
    let size = 1.0 + spread.share * normal(rng);
    Complex64::from_polar(size, spread.angle_rad * normal(rng))
}

impl Rotor {
    fn new(seed: u64, column: Column) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let coefficients = DMatrix::from_fn(2, 2, |reading, plane| {
            let (low, high) = if reading == plane { (0.7, 1.3) } else { (0.1, 0.5) };
            Complex64::from_polar(rng.random_range(low..high), rng.random_range(0.0..TAU))
        });
        let unbalance = std::array::from_fn(|_| {
            let size = rng.random_range(UNBALANCE.0.ln()..UNBALANCE.1.ln()).exp();
            Complex64::from_polar(size, rng.random_range(0.0..TAU))
        });
        let of_type = coefficients.map(|c| c * scattered(&mut rng, column.of_type));
        let bend = column.bend * rng.random_range(-1.0..1.0);
        Self { rng, column, coefficients, of_type, bend, unbalance, spins: 0, corrections: 0 }
    }

    fn spin(&mut self, trial: &[Complex64]) -> Vec<Complex64> {
        self.spins += 1;
        let present: Vec<Complex64> = (0..2)
            .map(|p| self.unbalance[p] + trial[p] + both_parts(&mut self.rng, self.column.refit))
            .collect();
        (0..2)
            .map(|r| {
                let linear: Complex64 =
                    (0..2).map(|p| self.coefficients[(r, p)] * present[p]).sum();
                let bent = linear * (1.0 + self.bend * linear.norm() / UNBALANCE.1);
                bent + both_parts(&mut self.rng, self.column.noise)
            })
            .collect()
    }

    fn correct(&mut self, planned: &[Complex64]) {
        self.corrections += 1;
        for (unbalance, planned) in self.unbalance.iter_mut().zip(planned) {
            *unbalance += planned * scattered(&mut self.rng, DRILLING);
        }
    }

    fn ends(&self, passed: bool) -> Outcome {
        let within = self.unbalance.iter().all(|unbalance| unbalance.norm() <= LIMIT);
        Outcome { corrections: self.corrections, spins: self.spins, passed, within }
    }
}

/// How a job ended.
#[derive(Debug, Clone, Copy)]
struct Outcome {
    corrections: usize,
    spins: usize,
    passed: bool,
    within: bool,
}

const NOTHING: [Complex64; 2] = [Complex64::ZERO; 2];

/// As the library advises.
fn advised(seed: u64, column: Column) -> Outcome {
    let mut rotor = Rotor::new(seed, column);
    let mut history = History {
        known: Known {
            scatter: vec![0.0; 2],
            refit_g_mm: vec![column.refit; 2],
            bend: 0.6 * column.bend,
            coefficients: column.known_type.then(|| (rotor.of_type.clone(), column.of_type)),
        },
        spins: Vec::new(),
        corrections: Vec::new(),
    };
    let aim =
        Aim { limits: vec![LIMIT; 2], pass_at: 0.985, correction_cost: 8.0, spread: DRILLING };
    let each_plane = DMatrix::identity(2, 2);
    let first =
        if column.known_type { vec![NOTHING.to_vec()] } else { trial_masses(&[column.trial; 2]) };
    first.into_iter().for_each(|trial| spin(&mut history, &mut rotor, trial));
    loop {
        let posterior = history.posterior().expect("coefficients are known");
        if posterior.now.probability_within(&aim.limits) >= aim.pass_at {
            return rotor.ends(true);
        }
        if rotor.spins >= MOST_SPINS {
            return rotor.ends(false);
        }
        if advise(&aim, &Outlook::of(&history, &posterior, &each_plane)).correct {
            let planned: Vec<Complex64> = posterior.now.mean.iter().map(|u| -u).collect();
            rotor.correct(&planned);
            history.corrections.push(Correction { planned, spread: DRILLING });
        }
        spin(&mut history, &mut rotor, NOTHING.to_vec());
    }
}

fn spin(history: &mut History, rotor: &mut Rotor, trial: Vec<Complex64>) {
    let readings = rotor.spin(&trial);
    let errors = vec![rotor.column.noise; readings.len()];
    let corrections = history.corrections.len();
    history.spins.push(Spin { trial, corrections, readings, errors });
}

/// As a textbook does: one trial mass at a time (or the coefficients of the type), then corrections by the same
/// coefficients until the unbalance they give is within the limit.
fn by_the_book(seed: u64, column: Column) -> Outcome {
    let mut rotor = Rotor::new(seed, column);
    let mut read = rotor.spin(&NOTHING);
    let mut coefficients = rotor.of_type.clone();
    if !column.known_type {
        for plane in 0..2 {
            let mut trial = NOTHING;
            trial[plane] = Complex64::new(column.trial, 0.0);
            let changed = rotor.spin(&trial);
            for r in 0..2 {
                coefficients[(r, plane)] = (changed[r] - read[r]) / column.trial;
            }
        }
    }
    let inverse = coefficients.try_inverse().expect("planes that differ");
    loop {
        let found: Vec<Complex64> =
            (0..2).map(|p| inverse[(p, 0)] * read[0] + inverse[(p, 1)] * read[1]).collect();
        if found.iter().all(|unbalance| unbalance.norm() <= LIMIT) {
            return rotor.ends(true);
        }
        if rotor.spins >= MOST_SPINS {
            return rotor.ends(false);
        }
        let planned: Vec<Complex64> = found.iter().map(|u| -u).collect();
        rotor.correct(&planned);
        read = rotor.spin(&NOTHING);
    }
}

/// Means over jobs.
#[derive(Debug, Default)]
struct Means {
    corrections: f64,
    spins: f64,
    passed: f64,
    within: f64,
}

fn means(seeds: std::ops::Range<u64>, job: impl Fn(u64) -> Outcome) -> Means {
    let all: Vec<Outcome> = seeds.map(job).collect();
    let passed: Vec<&Outcome> = all.iter().filter(|o| o.passed).collect();
    let count = passed.len().max(1) as f64;
    let mean = |of: &dyn Fn(&Outcome) -> f64| passed.iter().map(|o| of(o)).sum::<f64>() / count;
    Means {
        corrections: mean(&|o| o.corrections as f64),
        spins: mean(&|o| o.spins as f64),
        passed: passed.len() as f64 / all.len() as f64,
        within: mean(&|o| f64::from(u8::from(o.within))),
    }
}

#[test]
fn jobs_end_sooner_and_more_surely_than_by_the_book() {
    for column in COLUMNS {
        let ours = means(0..60, |seed| advised(seed, column));
        let book = means(0..60, |seed| by_the_book(seed, column));
        let told = format!("{}: {ours:?}, by the book {book:?}", column.name);
        assert!(ours.passed >= 0.95 && ours.within >= 0.98, "{told}");
        assert!(ours.corrections <= book.corrections + 0.05, "{told}");
        if column.noise > 0.1 {
            assert!(ours.within > book.within, "{told}");
            assert!(ours.corrections < book.corrections - 0.3, "{told}");
        }
    }
}

/// The figures of 1 000 jobs for each column: one line of JSON on stdout.
#[test]
#[ignore = "long: 1 000 jobs for each column"]
#[expect(clippy::print_stdout, reason = "the figures are the output")]
fn closed_loop_figures() {
    let rows: Vec<serde_json::Value> = COLUMNS
        .iter()
        .flat_map(|&column| {
            let ours = means(0..1000, |seed| advised(seed, column));
            let book = means(0..1000, |seed| by_the_book(seed, column));
            [("as advised", ours), ("by the book", book)].map(|(method, means)| {
                serde_json::json!({
                    "column": column.name,
                    "method": method,
                    "corrections": means.corrections,
                    "spins": means.spins,
                    "passed": means.passed,
                    "truly_within_when_passed": means.within,
                })
            })
        })
        .collect();
    println!("FIGURES {}", serde_json::json!({ "jobs": 1000, "rows": rows }));
}
