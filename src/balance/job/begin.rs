//! How a job begins: from a machine file, and from earlier jobs of the same type on the same rig.

use super::repeats::RigScatter;
use super::{Job, OfType, Rotor, coefficient_rows};
use crate::balance::of_type::{self, Earlier};
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::recording::Role;

/// Balancing planes of a machine: all that it describes, in their order along the shaft.
pub fn planes_of(machine: &Machine) -> Vec<String> {
    let mut planes: Vec<(&String, f64)> = (machine.plane.iter())
        .map(|(name, plane)| (name, plane.position_mm.unwrap_or(f64::INFINITY)))
        .collect();
    planes.sort_by(|a, b| a.1.total_cmp(&b.1));
    planes.into_iter().map(|(name, _)| name.clone()).collect()
}

/// Sensors of a machine that can carry balance vectors: all vibration channels that it describes, in the order of
/// the file.
pub fn sensors_of(machine: &Machine) -> Vec<String> {
    let mut sensors: Vec<_> =
        machine.channel.iter().filter(|(_, spec)| spec.role() == Role::Vibration).collect();
    sensors.sort_by_key(|(_, spec)| (spec.number, spec.order));
    sensors.into_iter().map(|(name, _)| name.clone()).collect()
}

/// A job that begins with what earlier ones of the type tell, if any.
///
/// # Errors
/// As [`Rotor::check`] and [`of_earlier`].
pub fn begin_like(mut rotor: Rotor, jobs: &[Job]) -> Result<Job> {
    rotor.check()?;
    if let Some(first) = jobs.first() {
        rotor.chain.clone_from(&first.rotor.chain);
        rotor.of_type = Some(of_earlier(&rotor, jobs)?);
    }
    Job::begin(rotor)
}

/// What earlier jobs tell of the next rotor: coefficients in the order of `rotor`'s readings and planes, and the
/// scatter of the rig.
///
/// # Errors
/// [`Error::Setting`] where a job is of another rig, other sensors, planes, speeds or chains, or has no
/// coefficients yet.
pub fn of_earlier(rotor: &Rotor, jobs: &[Job]) -> Result<OfType> {
    let mut earlier = Vec::new();
    let mut scatters: Vec<RigScatter> = Vec::new();
    for job in jobs {
        check_alike(rotor, job)?;
        let folded = job.folded()?;
        let refuse = |problem: String| {
            Error::setting("like", problem, "leave it out, or finish that job first")
        };
        let serial = &job.rotor.serial;
        let posterior = folded
            .posterior
            .as_ref()
            .map_err(|why| refuse(format!("job {serial} has no coefficients yet: {why}")))?;
        if folded.alarm.is_some() {
            return Err(refuse(format!("job {serial} has stopped")));
        }
        earlier.push(Earlier {
            coefficients: posterior.coefficients.clone(),
            shares: posterior.coefficient_shares(),
        });
        scatters.extend(folded.scatter);
    }
    let Some((mean, spread)) = of_type::of_type(&earlier) else {
        return Err(Error::setting("like", "no earlier job is named", "name one or leave it out"));
    };
    let (scatter_peak, scatter_freedom) = pooled(&scatters);
    Ok(OfType {
        from: jobs.iter().map(|job| job.rotor.serial.clone()).collect(),
        spread_percent: 100.0 * spread.share,
        spread_deg: spread.angle_rad.to_degrees(),
        scatter_peak,
        scatter_freedom,
        coefficient: coefficient_rows(rotor, &mean),
    })
}

/// Each reading's scatter over jobs, each weighing as it has degrees of freedom, and their sum.
fn pooled(scatters: &[RigScatter]) -> (Vec<f64>, f64) {
    let freedom: f64 = scatters.iter().map(|known| known.freedom).sum();
    let readings = scatters.first().map_or(0, |first| first.deviations.len());
    let mean_square = |r: usize| {
        scatters.iter().map(|s| s.freedom * s.deviations[r].powi(2)).sum::<f64>() / freedom
    };
    ((0..readings).map(|reading| mean_square(reading).sqrt()).collect(), freedom)
}

/// Coefficients belong to a rig with its sensors, speeds and planes.
fn check_alike(rotor: &Rotor, job: &Job) -> Result<()> {
    let other = &job.rotor;
    let refuse = |what: &str, mine: String, theirs: String| {
        Err(Error::setting(
            "like",
            format!("job {} has {what} {theirs}, this one {mine}", other.serial),
            "coefficients hold on one rig only: begin without it",
        ))
    };
    if rotor.rig.trim().is_empty() {
        let mend = "name the rig in both jobs: without a name nobody knows that it is the same";
        return Err(Error::setting(
            "rig",
            "coefficients hold on one rig only, and it has no name",
            mend,
        ));
    }
    if rotor.stage != other.stage {
        return refuse("the stage", format!("{:?}", rotor.stage), format!("{:?}", other.stage));
    }
    if rotor.rig != other.rig {
        return refuse("the rig", format!("{:?}", rotor.rig), format!("{:?}", other.rig));
    }
    if let (Some(mine), Some(theirs)) = (&rotor.chain, &other.chain)
        && let Some(difference) = theirs.differs_from(mine)
    {
        let problem = format!("job {} has another measuring chain: {difference}", other.serial);
        let mend = "coefficients hold with one chain only: leave that job out";
        return Err(Error::setting("like", problem, mend));
    }
    let (mine, theirs) = (rotor.machine()?, other.machine()?);
    let place = |machine: &Machine, plane: &String| machine.plane.get(plane)?.position_mm;
    if let Some(plane) = rotor.planes.iter().find(|p| place(&mine, p) != place(&theirs, p)) {
        let told = |machine: &Machine| format!("{plane} at {:?} mm", place(machine, plane));
        return refuse("the plane", told(&mine), told(&theirs));
    }
    if mine.convention != theirs.convention || mine.channel != theirs.channel {
        let problem = format!("job {} has other channels or counts angles otherwise", other.serial);
        let mend = "coefficients hold with one chain only: begin without it";
        return Err(Error::setting("like", problem, mend));
    }
    if rotor.planes != other.planes {
        return refuse("the planes", rotor.planes.join(", "), other.planes.join(", "));
    }
    if rotor.sensors != other.sensors {
        return refuse("the sensors", rotor.sensors.join(", "), other.sensors.join(", "));
    }
    let close = |(mine, theirs): (&f64, &f64)| (mine / theirs - 1.0).abs() < 0.005;
    let same_speeds = rotor.balance_rpm.len() == other.balance_rpm.len()
        && rotor.balance_rpm.iter().zip(&other.balance_rpm).all(close);
    if !same_speeds {
        let told = |speeds: &[f64]| format!("{speeds:?} rpm");
        return refuse("the speeds", told(&rotor.balance_rpm), told(&other.balance_rpm));
    }
    Ok(())
}
