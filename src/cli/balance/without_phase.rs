//! `quietspin balance without-phase`: one plane from amplitudes alone.

use clap::Args;

use crate::balance::hole::force_n;
use crate::balance::{no_phase, size_at};
use crate::cli::terminal::{self, Colour};
use crate::error::Result;
use crate::report::{balance, json};

/// Find the unbalance of one plane from amplitudes alone, without a pulse: one spin as it is, and one each with a
/// trial mass at three or more places spread evenly over the turn
#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Amplitude of the first order without trial mass, in any unit
    #[arg(long, value_name = "AMPLITUDE", value_parser = amplitude)]
    original: f64,

    /// The trial mass: g times its radius in mm
    #[arg(long, value_name = "G_MM", value_parser = amplitude)]
    trial: f64,

    /// Amplitude with the trial mass at an angle from the mark, as in 120=7.44; one for each place
    #[arg(long, value_name = "DEG=AMPLITUDE", num_args = 1.., required = true, value_parser = place)]
    at: Vec<(f64, f64)>,

    /// Highest speed in rpm, to tell the force of a mass added
    #[arg(long, value_name = "RPM", value_parser = amplitude)]
    rpm: Option<f64>,

    /// Print JSON (schema quietspin.balance_without_phase/1) instead of text
    #[arg(long)]
    pub json: bool,

    /// When to use colours
    #[arg(long, value_name = "WHEN", value_enum, default_value_t)]
    colour: Colour,
}

fn amplitude(text: &str) -> std::result::Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value >= 0.0 && value.is_finite() => Ok(value),
        _ => Err("write a number of 0 or above".to_owned()),
    }
}

fn place(text: &str) -> std::result::Result<(f64, f64), String> {
    let (deg, read) = text.split_once('=').ok_or("write angle and amplitude, as in 120=7.44")?;
    let deg: f64 = deg.trim().parse().map_err(|_| format!("{deg:?} is no angle"))?;
    if deg.is_finite() { Ok((deg, amplitude(read)?)) } else { Err("an angle is finite".to_owned()) }
}

/// Shows where the plane is heavy and what to do.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let found = no_phase::unbalance(arguments.original, arguments.trial, &arguments.at)?;
    let (g_mm, deg) = size_at(found);
    let force_n = arguments.rpm.map(|rpm| (rpm, force_n(g_mm, rpm)));
    let text = if arguments.json {
        json::balance::without_phase(g_mm, deg)
    } else {
        balance::without_phase(g_mm, deg, force_n, terminal::style(arguments.colour))
    };
    terminal::show(&text)?;
    Ok(0)
}
