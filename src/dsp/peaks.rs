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

/// Indices of the local maxima of `values`, highest first.
pub fn local_maxima(values: &[f64]) -> Vec<usize> {
    let mut found: Vec<usize> = (1..values.len().saturating_sub(1))
        .filter(|&i| values[i] > values[i - 1] && values[i] >= values[i + 1])
        .collect();
    found.sort_by(|&a, &b| values[b].total_cmp(&values[a]));
    found
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

    #[test]
    fn maxima_come_highest_first() {
        assert_eq!(local_maxima(&[0.0, 2.0, 1.0, 5.0, 0.0, 3.0, 3.0, 0.0]), vec![3, 5, 1]);
        assert!(local_maxima(&[1.0]).is_empty());
    }
}
