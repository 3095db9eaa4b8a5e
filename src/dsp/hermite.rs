//! Cubic Hermite pieces between two points of known value and slope.

/// A point of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Node {
    /// Place on the axis.
    pub at: f64,
    /// Value there.
    pub value: f64,
    /// Slope there.
    pub slope: f64,
}

/// The cubic through two nodes with their slopes; a straight line before and after them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piece {
    /// The earlier node.
    pub from: Node,
    /// The later node.
    pub to: Node,
}

impl Piece {
    /// Share of the span passed, the span, the rise over it, and how far both slopes are from the chord:
    /// arranged so, a straight line comes out exactly.
    fn shape(&self, at: f64) -> (f64, f64, f64, f64, f64) {
        let (a, b) = (&self.from, &self.to);
        let h = b.at - a.at;
        let rise = b.value - a.value;
        ((at - a.at) / h, h, rise, a.slope * h - rise, b.slope * h - rise)
    }

    /// The node beyond which `at` lies, if it lies outside.
    fn beyond(&self, at: f64) -> Option<&Node> {
        if at <= self.from.at {
            Some(&self.from)
        } else if at >= self.to.at {
            Some(&self.to)
        } else {
            None
        }
    }

    /// The value at a place.
    pub fn value_at(&self, at: f64) -> f64 {
        if let Some(end) = self.beyond(at) {
            return end.value + (at - end.at) * end.slope;
        }
        let (s, _, rise, da, db) = self.shape(at);
        self.from.value + s * rise + s * (1.0 - s) * (da * (1.0 - s) - db * s)
    }

    /// The slope at a place.
    pub fn slope_at(&self, at: f64) -> f64 {
        if let Some(end) = self.beyond(at) {
            return end.slope;
        }
        let (s, h, rise, da, db) = self.shape(at);
        (rise + da * (1.0 - s) * (1.0 - 3.0 * s) - db * s * (2.0 - 3.0 * s)) / h
    }

    /// The second derivative at a place: at the nodes themselves that of the cubic, outside 0.
    pub fn bend_at(&self, at: f64) -> f64 {
        if at < self.from.at || at > self.to.at {
            return 0.0;
        }
        let (s, h, _, da, db) = self.shape(at);
        (da * (6.0 * s - 4.0) + db * (6.0 * s - 2.0)) / (h * h)
    }

    /// The place of a value of a rising piece: Newton steps from the chord, kept inside by bisection.
    pub fn place_of(&self, value: f64) -> f64 {
        let (a, b) = (&self.from, &self.to);
        if value <= a.value {
            return a.at - (a.value - value) / a.slope.max(f64::MIN_POSITIVE);
        }
        if value >= b.value {
            return b.at + (value - b.value) / b.slope.max(f64::MIN_POSITIVE);
        }
        let (mut low, mut high) = (a.at, b.at);
        let mut at = low + (high - low) * (value - a.value) / (b.value - a.value);
        for _ in 0..60 {
            let error = self.value_at(at) - value;
            if error.abs() < 1e-12 * value.abs().max(1.0) {
                break;
            }
            if error > 0.0 {
                high = at;
            } else {
                low = at;
            }
            let next = at - error / self.slope_at(at);
            at = if next > low && next < high { next } else { 0.5 * (low + high) };
        }
        at
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// y = x³ from 1 to 3.
    fn cube() -> Piece {
        let node = |x: f64| Node { at: x, value: x.powi(3), slope: 3.0 * x * x };
        Piece { from: node(1.0), to: node(3.0) }
    }

    #[test]
    fn a_cubic_is_met_exactly() {
        for x in [1.0, 1.2, 2.0, 2.9] {
            assert!((cube().value_at(x) - x.powi(3)).abs() < 1e-12);
            assert!((cube().slope_at(x) - 3.0 * x * x).abs() < 1e-11);
            assert!((cube().place_of(x.powi(3)) - x).abs() < 1e-10);
        }
        for x in [1.0, 2.0, 3.0] {
            assert!((cube().bend_at(x) - 6.0 * x).abs() < 1e-11);
        }
    }

    #[test]
    fn outside_it_runs_straight_on() {
        assert_eq!(cube().value_at(0.0), -2.0);
        assert_eq!(cube().slope_at(4.0), 27.0);
        assert_eq!(cube().bend_at(4.0), 0.0);
        assert_eq!(cube().place_of(27.0 + 27.0), 4.0);
    }
}
