//! The lines of what a diagnosis found, by name.

use crate::case::bearing::Element;
use crate::case::{KnownOrders, NamedOrder};
use crate::diagnose::Finding;

/// The orders of the damaged bearing parts among findings, at the slip that was found.
pub fn found_lines(known: &KnownOrders, findings: &[Finding]) -> Vec<NamedOrder> {
    let line = |finding: &Finding| {
        let part = Element::of_fault(&finding.fault)?;
        let slip = finding.evidence.iter().find(|evidence| evidence.key == "slip_percent");
        let slip = slip.map_or(0.0, |evidence| evidence.value / 100.0);
        known.of_damage(finding.place.as_deref()?, part, slip)
    };
    findings.iter().filter_map(line).collect()
}
