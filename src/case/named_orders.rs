//! Orders that have a name on a machine: of the shaft, its blades, the parts of its bearings.

use serde::{Deserialize, Serialize};

use super::bearing::Element;
use crate::machine::{Machine, Multipliers};

/// Orders nearer than this share are one line to the eye.
const SAME: f64 = 0.005;

/// What makes an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OrderKind {
    /// A multiple of the shaft's own speed.
    Shaft,
    /// A row of blades.
    Blade,
    /// A part of one bearing, or of several that share the line.
    Bearing {
        /// The part.
        part: Element,
        /// Names of the bearings in the machine file.
        bearings: Vec<String>,
    },
}

/// An order with the name of what makes it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NamedOrder {
    /// The order: multiples of shaft speed.
    pub order: f64,
    /// The name: `1x`, `compressor 9x`, `BPFO front`.
    pub name: String,
    /// What makes it.
    pub kind: OrderKind,
}

impl NamedOrder {
    /// An order with a name.
    pub fn new(order: f64, name: impl Into<String>, kind: OrderKind) -> Self {
        Self { order, name: name.into(), kind }
    }

    /// The line of a part of bearings, with a name.
    pub fn of_bearing(
        order: f64,
        name: impl Into<String>,
        part: Element,
        bearings: &[&str],
    ) -> Self {
        let bearings = bearings.iter().map(|&bearing| bearing.to_owned()).collect();
        Self::new(order, name, OrderKind::Bearing { part, bearings })
    }

    /// Whether a bearing makes it.
    pub fn is_of_bearing(&self) -> bool {
        matches!(self.kind, OrderKind::Bearing { .. })
    }

    /// Whether both are lines of the same part of the same bearing, or share one of several.
    pub fn is_same_part(&self, other: &Self) -> bool {
        let (
            OrderKind::Bearing { part, bearings },
            OrderKind::Bearing { part: of, bearings: others },
        ) = (&self.kind, &other.kind)
        else {
            return false;
        };
        part == of && bearings.iter().any(|bearing| others.contains(bearing))
    }

    /// Whether another order is the same line to the eye.
    pub fn is_near(&self, order: f64) -> bool {
        (self.order / order - 1.0).abs() < SAME
    }
}

/// What a machine file says of the orders to be expected.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct KnownOrders {
    blades: Vec<(String, u32)>,
    bearings: Vec<(String, Multipliers)>,
}

impl KnownOrders {
    /// The orders of a machine.
    pub fn of(machine: &Machine) -> Self {
        let bearings = machine.bearing.iter().filter_map(|(name, bearing)| {
            Some((name.clone(), bearing.multipliers(name).ok().flatten()?))
        });
        Self {
            blades: machine.blade.iter().map(|(name, row)| (name.clone(), row.count)).collect(),
            bearings: bearings.collect(),
        }
    }

    /// The rows of blades: `compressor 9x`.
    pub fn blades(&self) -> Vec<NamedOrder> {
        let named = |(name, count): &(String, u32)| {
            NamedOrder::new(f64::from(*count), format!("{name} {count}x"), OrderKind::Blade)
        };
        self.blades.iter().map(named).collect()
    }

    /// The line of one part of every bearing, each order once: `BPFO front`, and without names where all
    /// of several bearings share it.
    pub fn of_part(&self, part: Element) -> Vec<NamedOrder> {
        let mut found: Vec<(f64, Vec<&str>)> = Vec::new();
        for (bearing, multipliers) in &self.bearings {
            let order = part.impact_order(multipliers, 0.0);
            match found.iter_mut().find(|(other, _)| (other / order - 1.0).abs() < SAME) {
                Some((_, names)) => names.push(bearing),
                None => found.push((order, vec![bearing])),
            }
        }
        let count = self.bearings.len();
        let named = |(order, names): (f64, Vec<&str>)| {
            let whose =
                if count > 1 && names.len() == count { String::new() } else { names.join(", ") };
            let name = format!("{} {whose}", part.line());
            NamedOrder::of_bearing(order, name.trim_end(), part, &names)
        };
        found.into_iter().map(named).collect()
    }

    /// The line of a part of one bearing at a slip of its cage; `None` for a bearing that is not known.
    pub fn of_damage(&self, bearing: &str, part: Element, slip: f64) -> Option<NamedOrder> {
        let (name, multipliers) = self.bearings.iter().find(|(name, _)| name == bearing)?;
        let order = part.impact_order(multipliers, slip);
        let line = format!("{} {name}", part.line());
        Some(NamedOrder::of_bearing(order, line, part, &[name]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::parse;

    /// 6205-2RS JEM, multipliers printed by the Case Western Reserve University Bearing Data Center
    /// (its "rolling element 4.7135" is twice BSF).
    #[test]
    fn bearings_of_one_kind_share_their_lines() {
        let text = "format = 1\n[blade.wheel]\ncount = 11\n\
            [bearing.a]\nbpfo = 3.5848\nbpfi = 5.4152\nbsf = 2.35675\nftf = 0.39828\n\
            [bearing.b]\nbpfo = 3.5848\nbpfi = 5.4152\nbsf = 2.35675\nftf = 0.39828\n";
        let machine = parse::from_text(text, std::path::Path::new("test")).expect("a machine");
        let known = KnownOrders::of(&machine);
        let shared = |order, name, part| [NamedOrder::of_bearing(order, name, part, &["a", "b"])];
        assert_eq!(known.of_part(Element::Outer), shared(3.5848, "BPFO", Element::Outer));
        assert_eq!(known.of_part(Element::Ball), shared(4.7135, "2 BSF", Element::Ball));
        assert_eq!(known.blades(), [NamedOrder::new(11.0, "wheel 11x", OrderKind::Blade)]);
        let lagging = known.of_damage("b", Element::Outer, 0.01).expect("known");
        assert!((lagging.order - 3.5848 * 0.99).abs() < 1e-9 && lagging.name == "BPFO b");
        assert_eq!(known.of_damage("c", Element::Outer, 0.0), None);
    }
}
