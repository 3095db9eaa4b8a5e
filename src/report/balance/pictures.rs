//! Pictures of the wheels of a job.

use std::path::{Path, PathBuf};

use crate::balance::job::Job;
use crate::balance::job::fold::Folded;
use crate::balance::job::next::Next;
use crate::error::Result;
use crate::figure::Figure;

/// TODO
pub fn wheels(_job: &Job, _folded: &Folded, _next: Option<&Next>) -> Result<Vec<(String, Figure)>> {
    Ok(Vec::new())
}

/// TODO
pub fn pictures(
    _job: &Job,
    _folded: &Folded,
    _next: &Next,
    _folder: &Path,
) -> Result<Vec<PathBuf>> {
    Ok(Vec::new())
}
