//! The noise floor under a spectrum: a running median that narrow lines do not lift.

use super::stats;

/// Running median of `values` over about `width` neighbours on each side, in O(n).
///
/// The median is taken in blocks of half the width, each over `width` neighbours on both sides, and
/// interpolated between block centres; a floor varies slowly, so nothing is lost. The result has the
/// length of `values`. At the ends the window is cut short, not mirrored.
pub fn running_median(values: &[f32], width: usize) -> Vec<f32> {
    let n = values.len();
    if n == 0 {
        return Vec::new();
    }
    let width = width.max(1);
    let step = (width / 2).max(1);
    let mut centres = Vec::with_capacity(n / step + 2);
    let mut scratch = Vec::with_capacity(2 * width + 1);
    let mut centre = 0;
    loop {
        let centre_index = centre.min(n - 1);
        let from = centre_index.saturating_sub(width);
        let to = (centre_index + width + 1).min(n);
        scratch.clear();
        scratch.extend(values[from..to].iter().map(|&v| f64::from(v)));
        centres.push((centre_index, stats::median_of(&mut scratch)));
        if centre_index == n - 1 {
            break;
        }
        centre += step;
    }
    interpolate(&centres, n)
}

fn interpolate(centres: &[(usize, f64)], n: usize) -> Vec<f32> {
    let mut floor = Vec::with_capacity(n);
    for pair in centres.windows(2) {
        let ((i, a), (j, b)) = (pair[0], pair[1]);
        floor.extend((i..j).map(|k| (a + (b - a) * (k - i) as f64 / (j - i) as f64) as f32));
    }
    if let Some(&(_, last)) = centres.last() {
        floor.push(last as f32);
    }
    floor
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_narrow_line_does_not_lift_the_floor() {
        let mut values = vec![1.0_f32; 501];
        values[250] = 1e6;
        let floor = running_median(&values, 20);
        assert_eq!(floor.len(), 501);
        assert!(floor.iter().all(|&f| f == 1.0));
    }

    #[test]
    fn follows_a_slope() {
        let values: Vec<f32> = (0..1000).map(|i| i as f32).collect();
        let floor = running_median(&values, 25);
        assert!((100..900).all(|i| (floor[i] - i as f32).abs() < 1.0));
        assert_eq!(running_median(&[], 3), Vec::<f32>::new());
        assert_eq!(running_median(&[7.0], 3), vec![7.0]);
    }
}
