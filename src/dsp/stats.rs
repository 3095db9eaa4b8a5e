//! Small robust statistics.

/// Median, reordering `values`; 0 for an empty slice.
pub fn median_of(values: &mut [f64]) -> f64 {
    quantile_of(values, 0.5)
}

/// The `fraction` quantile (0 to 1, nearest rank, even medians averaged), reordering `values`.
pub fn quantile_of(values: &mut [f64], fraction: f64) -> f64 {
    let n = values.len();
    if n == 0 {
        return 0.0;
    }
    let position = fraction.clamp(0.0, 1.0) * (n - 1) as f64;
    let lower = position.floor() as usize;
    let (_, &mut low, above) = values.select_nth_unstable_by(lower, f64::total_cmp);
    let high = above.iter().copied().min_by(f64::total_cmp).unwrap_or(low);
    low + (high - low) * (position - lower as f64)
}

/// Median of a copy of `values`.
pub fn median(values: &[f64]) -> f64 {
    median_of(&mut values.to_vec())
}

/// Median absolute deviation scaled to the standard deviation of a Gaussian (factor 1.4826).
pub fn robust_deviation(values: &[f64]) -> f64 {
    let centre = median(values);
    let mut deviations: Vec<f64> = values.iter().map(|x| (x - centre).abs()).collect();
    1.4826 * median_of(&mut deviations)
}

/// Mean of single-precision samples, summed in double precision.
pub fn mean_f32(samples: &[f32]) -> f64 {
    if samples.is_empty() {
        return 0.0;
    }
    samples.iter().map(|&x| f64::from(x)).sum::<f64>() / samples.len() as f64
}

/// Root mean square about `centre`, summed in double precision.
pub fn rms_f32(samples: &[f32], centre: f64) -> f64 {
    if samples.is_empty() {
        return 0.0;
    }
    let sum: f64 = samples.iter().map(|&x| (f64::from(x) - centre).powi(2)).sum();
    (sum / samples.len() as f64).sqrt()
}

/// The logistic function, `1 / (1 + e^-x)`: probability of log-odds `x`.
pub fn probability_from_log_odds(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}

/// Straight line `y = intercept + slope x` by weighted least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Rise per unit of x.
    pub slope: f64,
    /// Standard error of the slope from the scatter about the line.
    pub slope_error: f64,
}

/// Fits a [`Line`]; `None` with fewer than three points or where all x are equal.
pub fn fit_line(x: &[f64], y: &[f64], weight: &[f64]) -> Option<Line> {
    let n = x.len().min(y.len()).min(weight.len());
    let total: f64 = weight.iter().take(n).sum();
    if n < 3 || total <= 0.0 {
        return None;
    }
    let triples = || x.iter().zip(y).zip(weight).map(|((&x, &y), &w)| (x, y, w));
    let mean_x = triples().map(|(x, _, w)| w * x).sum::<f64>() / total;
    let mean_y = triples().map(|(_, y, w)| w * y).sum::<f64>() / total;
    let sxx: f64 = triples().map(|(x, _, w)| w * (x - mean_x).powi(2)).sum();
    let sxy: f64 = triples().map(|(x, y, w)| w * (x - mean_x) * (y - mean_y)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let intercept = mean_y - slope * mean_x;
    let residual: f64 = triples().map(|(x, y, w)| w * (y - intercept - slope * x).powi(2)).sum();
    let slope_error =
        (residual / total * n as f64 / (n - 2) as f64 / (sxx / total) / n as f64).sqrt();
    Some(Line { intercept, slope, slope_error })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_of_small_sets() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), 2.5);
        assert_eq!(median(&[]), 0.0);
        assert_eq!(quantile_of(&mut [0.0, 1.0, 2.0, 3.0, 4.0], 0.25), 1.0);
    }

    #[test]
    fn line_through_exact_points() {
        let line = fit_line(&[0.0, 1.0, 2.0], &[1.0, 3.0, 5.0], &[1.0; 3]);
        let line = line.expect("three points make a line");
        assert!((line.slope - 2.0).abs() < 1e-12 && (line.intercept - 1.0).abs() < 1e-12);
        assert!(line.slope_error < 1e-9);
        assert!(fit_line(&[1.0, 1.0, 1.0], &[0.0; 3], &[1.0; 3]).is_none());
    }
}
