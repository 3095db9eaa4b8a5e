//! Peaks between bins.

/// A peak found between samples of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Position in samples, fractional.
    pub position: f64,
    /// Height of the fitted parabola at its top.
    pub height: f64,
}

/// The parabola through sample `index` and its neighbours.
///
/// Returns the sample itself at the ends of the slice and where it is no local maximum; the shift
/// never exceeds half a sample. `None` where `index` is outside.
pub fn parabolic(values: &[f64], index: usize) -> Option<Peak> {
    let height = *values.get(index)?;
    let flat = Peak { position: index as f64, height };
    let (Some(&before), Some(&after)) =
        (index.checked_sub(1).and_then(|i| values.get(i)), values.get(index + 1))
    else {
        return Some(flat);
    };
    let curvature = before - 2.0 * height + after;
    if curvature >= 0.0 || height < before || height < after {
        return Some(flat);
    }
    let shift = 0.5 * (before - after) / curvature;
    Some(Peak { position: index as f64 + shift, height: height - 0.25 * (before - after) * shift })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn recovers_a_parabola() {
        let values: Vec<f64> = (0..10).map(|i| 5.0 - (i as f64 - 4.3).powi(2)).collect();
        let peak = parabolic(&values, 4).expect("inside");
        assert!((peak.position - 4.3).abs() < 1e-12 && (peak.height - 5.0).abs() < 1e-12);
        assert_eq!(parabolic(&values, 0).map(|p| p.position), Some(0.0));
        assert_eq!(parabolic(&values, 99), None);
    }
}
