//! `quietspin balance new JOB`: a job begins.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::Common;
use crate::balance::job::begin::{begin_like, planes_of, sensors_of};
use crate::balance::job::file::{self, JobFile};
use crate::balance::job::{Job, Rotor, Stage};
use crate::error::Result;
use crate::machine::parse;

/// Begin a job from a machine file
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,

    /// Machine file with pulse, sensors, planes, maker's limits and tolerance (see `quietspin machine-keys`)
    #[arg(long, value_name = "FILE")]
    machine: PathBuf,

    /// Serial number, or another name of the rotor
    #[arg(long, value_name = "TEXT")]
    serial: String,

    /// Balancing speed in rpm; name several for one sensor and two planes
    #[arg(long, value_name = "RPM", required = true, num_args = 1.., value_delimiter = ',')]
    rpm: Vec<f64>,

    /// What is balanced
    #[arg(long, value_enum, default_value_t)]
    stage: StageArgument,

    /// The fixture with its sensors, oil and mounts, by any name: what is learned holds on it alone
    #[arg(long, value_name = "TEXT", default_value = "")]
    rig: String,

    /// Sensors, by channel name; by default all vibration channels of the machine file
    #[arg(long, value_name = "CHANNEL", num_args = 1.., value_delimiter = ',')]
    sensor: Vec<String>,

    /// Balancing planes; by default all of the machine file, in their order along the shaft
    #[arg(long, value_name = "PLANE", num_args = 1.., value_delimiter = ',')]
    plane: Vec<String>,

    /// Earlier jobs of the same type on the same rig: with them no trial mass is needed
    #[arg(long, value_name = "JOB.toml", num_args = 1..)]
    like: Vec<PathBuf>,

    /// Parts are taken off and refitted after balancing: passing then needs three refits
    #[arg(long)]
    refitted_after: bool,

    /// How exactly metal is taken away: standard deviation of its amount in percent
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    drilling_percent: f64,

    /// Standard deviation of the angle at which it is taken away, in degrees
    #[arg(long, value_name = "DEG", default_value_t = 2.0)]
    drilling_deg: f64,

    /// How far vibration is from proportional to unbalance up to the first spin's, in percent (standard deviation)
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    amplitude_dependence_percent: f64,
}

/// What is balanced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
enum StageArgument {
    /// A wheel or shaft alone on a mandrel
    Component,
    /// The assembled rotor
    #[default]
    Assembly,
    /// The rotor within its finished machine
    Trim,
}

impl From<StageArgument> for Stage {
    fn from(stage: StageArgument) -> Self {
        match stage {
            StageArgument::Component => Self::Component,
            StageArgument::Assembly => Self::Assembly,
            StageArgument::Trim => Self::Trim,
        }
    }
}

/// Writes the job and shows how to begin.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let machine = parse::read(&arguments.machine)?;
    let or = |stated: &Vec<String>, all: Vec<String>| {
        if stated.is_empty() { all } else { stated.clone() }
    };
    let rotor = Rotor {
        serial: arguments.serial.clone(),
        stage: arguments.stage.into(),
        rig: arguments.rig.clone(),
        planes: or(&arguments.plane, planes_of(&machine)),
        sensors: or(&arguments.sensor, sensors_of(&machine)),
        balance_rpm: arguments.rpm.clone(),
        refitted_after: arguments.refitted_after,
        drilling_percent: arguments.drilling_percent,
        drilling_deg: arguments.drilling_deg,
        chain: None,
        of_type: None,
        machine: parse::resolved_toml(&machine),
        amplitude_dependence_percent: arguments.amplitude_dependence_percent,
    };
    let jobs: Vec<Job> =
        arguments.like.iter().map(|path| file::read(path)).collect::<Result<_>>()?;
    let job = begin_like(rotor, &jobs)?;
    JobFile::create(&arguments.common.job, &job)?;
    arguments.common.show(&job, &job.folded()?)
}
