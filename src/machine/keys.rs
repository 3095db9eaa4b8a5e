//! Every key of the machine file in one table: what it means, its unit, its default, its range.
//!
//! The table serves the checks of [`super::parse`] and the documentation; a test holds it against
//! the fields of the structs, both ways.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::FASTEST_RPM;

/// The range of a number; every number is finite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Range {
    /// Any number.
    Any,
    /// Above zero.
    Positive,
    /// Above zero and up to this one.
    PositiveUpTo(f64),
    /// Zero or above.
    NotNegative,
    /// Between the two, both included.
    Within(f64, f64),
}

impl Range {
    /// Whether `x` is finite and in the range.
    pub fn holds(self, x: f64) -> bool {
        x.is_finite()
            && match self {
                Self::Any => true,
                Self::Positive => x > 0.0,
                Self::PositiveUpTo(most) => x > 0.0 && x <= most,
                Self::NotNegative => x >= 0.0,
                Self::Within(low, high) => (low..=high).contains(&x),
            }
    }

    /// The range in words, to follow "state".
    pub fn words(self) -> String {
        match self {
            Self::Any => "a finite number".into(),
            Self::Positive => "a number above 0".into(),
            Self::PositiveUpTo(most) => format!("a number above 0 and up to {most:e}"),
            Self::NotNegative => "a number of 0 or above".into(),
            Self::Within(low, high) => format!("a number from {low} to {high}"),
        }
    }
}

/// What a key takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// A number.
    Number(Range),
    /// A whole number from the given one upwards.
    Whole(u32),
    /// A text.
    Text,
    /// `true` or `false`.
    Flag,
    /// A list of numbers.
    Numbers(Range),
    /// Two numbers above 0, the lower first.
    Band,
    /// A list of arcs on the rotor, each of two angles from 0 to 360.
    Arcs,
    /// A list of texts.
    Texts,
    /// One of these words.
    Choice(&'static [&'static str]),
}

impl Kind {
    /// The kind in words, to follow "state".
    pub fn words(self) -> String {
        match self {
            Self::Number(range) => range.words(),
            Self::Whole(least) => format!("a whole number from {least} upwards"),
            Self::Text => "a text in quotes".into(),
            Self::Flag => "true or false".into(),
            Self::Numbers(_) => "a list of numbers".into(),
            Self::Band => "two numbers above 0, the lower first, as in [10.0, 5000.0]".into(),
            Self::Arcs => "a list of arcs from and to, as in [[20.0, 160.0], [340.0, 10.0]]".into(),
            Self::Texts => "a list of texts".into(),
            Self::Choice(words) => {
                let quoted: Vec<String> = words.iter().map(|word| format!("{word:?}")).collect();
                format!("one of {}", quoted.join(", "))
            }
        }
    }
}

/// One key of the machine file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Key {
    /// Its table: `shaft`; `channel.NAME` where every table has a name of its own; empty at the top.
    pub table: &'static str,
    /// The key.
    pub key: &'static str,
    /// What it takes.
    pub kind: Kind,
    /// Unit; empty where there is none.
    pub unit: &'static str,
    /// Default in words; empty: not stated.
    pub default: &'static str,
    /// Meaning in a sentence.
    pub meaning: &'static str,
}

const TOP: &str = "";
const SHAFT: &str = "shaft";
const CHANNEL: &str = "channel.NAME";
const BEARING: &str = "bearing.NAME";
const BLADE: &str = "blade.NAME";
const PLANE: &str = "plane.NAME";
const LIMITS: &str = "limits";
const ACCEPTANCE: &str = "acceptance";
const PREVALENCE: &str = "prevalence";
const CONVENTION: &str = "convention";

/// The tables in the order of the documentation, with a sentence on each.
pub const TABLES: &[(&str, &str)] = &[
    (TOP, "At the top of the file."),
    (SHAFT, "The rotor and its speeds."),
    (CHANNEL, "A channel of the recording: its sensor and converter."),
    (BEARING, "A bearing: its geometry or its four multipliers; both must agree within 1 %."),
    (BLADE, "A row of blades or vanes on the shaft."),
    (
        PLANE,
        "A plane in which the rotor can be balanced, with the limits that only the maker knows: without them no hole is planned. Angles are counted from the mark as [convention] says.",
    ),
    (LIMITS, "The largest vibration allowed."),
    (ACCEPTANCE, "What a recording must show before it can be accepted."),
    (
        PREVALENCE,
        "How often each fault is there among the machines that you check: every confidence holds for such a share. State it where your own records tell it.",
    ),
    (CONVENTION, "How angles on the rotor are counted, for balancing."),
];

const RPM: Kind = Kind::Number(Range::PositiveUpTo(FASTEST_RPM));
const POSITIVE: Kind = Kind::Number(Range::Positive);
/// Angles on the rotor.
pub(super) const ANGLE: Range = Range::Within(0.0, 360.0);
/// A share that leaves both possible: certainty needs no recording.
const SHARE: Kind = Kind::Number(Range::Within(0.001, 99.9));
const PERCENT: Kind = Kind::Number(Range::Within(0.0, 100.0));
const ROLES: Kind = Kind::Choice(&["vibration", "pulse", "speed", "sound", "slow", "other"]);
const UNITS: Kind = Kind::Choice(&[
    "g", "m/s2", "mm/s", "m/s", "um", "mm", "m", "Pa", "rpm", "Hz", "degC", "V", "FS",
]);

const ZONES: Kind = Kind::Choice(&[
    "iso_10816_1_class_1",
    "iso_10816_1_class_2",
    "iso_10816_1_class_3",
    "iso_10816_1_class_4",
    "iso_10816_3_group_1_rigid",
    "iso_10816_3_group_1_flexible",
    "iso_10816_3_group_2_rigid",
    "iso_10816_3_group_2_flexible",
]);

const fn key(
    table: &'static str,
    key: &'static str,
    kind: Kind,
    unit: &'static str,
    default: &'static str,
    meaning: &'static str,
) -> Key {
    Key { table, key, kind, unit, default, meaning }
}

/// Every key.
#[rustfmt::skip]
pub const KEYS: &[Key] = &[
    key(TOP, "format", Kind::Whole(1), "", "required", "Format of the file: 1."),
    key(TOP, "name", Kind::Text, "", "", "What the machine is called, for reports."),

    key(SHAFT, "top_rpm", RPM, "rpm", "", "Highest service speed; the maker's limit is never exceeded on its account."),
    key(SHAFT, "lowest_rpm", RPM, "rpm", "", "Lowest speed of interest; narrows the search for a speed without pulses, and begins the service speeds against which the margin of a critical speed is told."),
    key(SHAFT, "constant_rpm", RPM, "rpm", "", "Constant speed during the recording, where neither pulse nor speed channel is there."),
    key(SHAFT, "mass_kg", POSITIVE, "kg", "", "Mass of the rotor, for balancing."),
    key(SHAFT, "coupling", Kind::Flag, "", "not known", "Whether a coupling joins the shaft to another; without one there is no misalignment."),
    key(SHAFT, "pole_pairs", Kind::Whole(1), "", "no generator is looked for", "Pole pairs of a generator or motor on the shaft: its lines are looked for at 2, 6 and 12 times as many orders."),
    key(SHAFT, "critical_rpm", Kind::Numbers(Range::Positive), "rpm", "none", "Known critical speeds."),
    key(SHAFT, "bending_critical_rpm", RPM, "rpm", "", "First bending critical speed: a balance quality grade holds up to 70 % of it."),
    key(SHAFT, "balance_grade_mm_s", POSITIVE, "mm/s", "", "Balance quality grade G (ISO 21940-11), for balancing; needs mass_kg and top_rpm."),
    key(SHAFT, "span_mm", POSITIVE, "mm", "", "Distance between the bearings, for the shares of the permissible unbalance."),
    key(SHAFT, "centre_mm", Kind::Number(Range::Any), "mm", "", "Distance of the centre of mass along the shaft from the first bearing."),

    key(CHANNEL, "number", Kind::Whole(1), "", "by name, else in file order", "Which channel of the file, counted from 1."),
    key(CHANNEL, "role", ROLES, "", "guessed and said so", "What the channel is for."),
    key(CHANNEL, "unit", UNITS, "", "that of the file", "Unit of the samples; the quantity follows from it."),
    key(CHANNEL, "full_scale", POSITIVE, "the channel's unit", "", "Value at the converter's full scale. Integer files are uncalibrated without it; files of floats within -1 to 1 may be too, others hold the unit itself."),
    key(CHANNEL, "sensitivity_mv_per_unit", POSITIVE, "mV per unit", "", "Sensitivity of the sensor; needs full_scale_v, and replaces full_scale."),
    key(CHANNEL, "full_scale_v", POSITIVE, "V", "", "Converter input at full scale, zero to peak."),
    key(CHANNEL, "inverted", Kind::Flag, "", "false", "The sensor is mounted or wired the other way round: samples are negated."),
    key(CHANNEL, "direction", Kind::Choice(&["radial", "axial"]), "", "radial", "Direction in which the sensor feels."),
    key(CHANNEL, "sensor_angle_deg", Kind::Number(Range::Within(-360.0, 360.0)), "deg", "", "Angle from the pulse sensor to this sensor, counted with the rotation; orbits and full spectra need it."),
    key(CHANNEL, "bearing", Kind::Text, "", "", "Name of the bearing at which the sensor sits."),
    key(CHANNEL, "mounted_resonance_hz", POSITIVE, "Hz", "", "Resonance of the sensor as mounted."),
    key(CHANNEL, "corner_hz", POSITIVE, "Hz", "", "High-pass corner of an AC-coupled input."),
    key(CHANNEL, "pulses_per_turn", Kind::Whole(1), "", "1", "Pulse channels: pulses per turn."),
    key(CHANNEL, "edge", Kind::Choice(&["rising", "falling"]), "", "", "Pulse channels: the edge that marks angle zero; without it phase is not given."),
    key(CHANNEL, "pulse_kind", Kind::Choice(&["mark", "magnet", "blades"]), "", "mark", "Pulse channels: what makes the pulses."),
    key(CHANNEL, "delay_us", Kind::Number(Range::Any), "us", "0", "Pulse channels: delay of the pulse chain."),
    key(CHANNEL, "skew_us", Kind::Number(Range::Any), "us", "0", "How much later than the first channel the converter samples this one."),

    key(BEARING, "type", Kind::Choice(&["rolling", "plain", "floating_ring", "foil"]), "", "rolling", "Kind of bearing."),
    key(BEARING, "elements", Kind::Whole(3), "", "", "Number of rolling elements in a row."),
    key(BEARING, "element_mm", POSITIVE, "mm", "", "Diameter of a rolling element."),
    key(BEARING, "pitch_mm", POSITIVE, "mm", "", "Pitch diameter."),
    key(BEARING, "contact_deg", Kind::Number(Range::Within(0.0, 89.0)), "deg", "0", "Contact angle."),
    key(BEARING, "bpfo", POSITIVE, "orders", "", "Outer-race passing order."),
    key(BEARING, "bpfi", POSITIVE, "orders", "", "Inner-race passing order."),
    key(BEARING, "bsf", POSITIVE, "orders", "", "Spin order of a rolling element (a defect hits twice in a turn of the element)."),
    key(BEARING, "ftf", POSITIVE, "orders", "", "Cage order."),

    key(BLADE, "count", Kind::Whole(1), "", "required", "Number of blades."),

    key(PLANE, "position_mm", Kind::Number(Range::Any), "mm", "", "Distance along the shaft from the first bearing."),
    key(PLANE, "method", Kind::Choice(&["drill", "grind", "add"]), "", "drill", "How the plane is corrected: holes, an edge ground over an arc, or masses added."),
    key(PLANE, "radius_mm", POSITIVE, "mm", "", "Radius at which the drill enters, the ground edge lies, or mass is added."),
    key(PLANE, "density_g_cm3", POSITIVE, "g/cm3", "", "Density of the material removed."),
    key(PLANE, "bore", Kind::Choice(&["radial", "axial"]), "", "", "Drilling: towards the axis from the rim, or along the axis."),
    key(PLANE, "drill_mm", POSITIVE, "mm", "", "Diameter of the drill."),
    key(PLANE, "drill_point_deg", Kind::Number(Range::Within(30.0, 180.0)), "deg", "118", "Full angle of the drill's point; 180 is a flat bottom."),
    key(PLANE, "depth_step_mm", POSITIVE, "mm", "0.05", "Fineness to which a depth can be set; grinding: one pass."),
    key(PLANE, "depth_max_mm", POSITIVE, "mm", "", "Deepest hole, to its tip, or deepest cut allowed."),
    key(PLANE, "floor_radius_mm", Kind::Number(Range::NotNegative), "mm", "0", "No tip of a radial hole and no cut comes nearer to the axis."),
    key(PLANE, "edge_mm", Kind::Number(Range::NotNegative), "mm", "", "Least distance of the rim of a hole, the end of a cut or the place of a mass from the edges of the zones and from blades."),
    key(PLANE, "spacing_mm", Kind::Number(Range::NotNegative), "mm", "", "Least wall between two holes or cuts, at their depth; least distance between two masses."),
    key(PLANE, "removal_max_g", POSITIVE, "g", "", "Most material that may be removed, or added, in all."),
    key(PLANE, "zones_deg", Kind::Arcs, "deg", "", "Arcs in which metal may be taken away or added; the whole turn is [[0, 360]]."),
    key(PLANE, "sites_deg", Kind::Numbers(ANGLE), "deg", "any angle in the zones", "Fixed sites, where only these serve."),
    key(PLANE, "blades", Kind::Text, "", "none", "Name of the row of blades between which holes lie; needs blade_first_deg and blade_width_mm."),
    key(PLANE, "blade_first_deg", Kind::Number(ANGLE), "deg", "", "Middle of any blade at radius_mm."),
    key(PLANE, "blade_width_mm", POSITIVE, "mm", "", "Width of a blade with its fillets along the circle of radius_mm."),
    key(PLANE, "angle_step_deg", Kind::Number(Range::Within(0.1, 90.0)), "deg", "1", "Fineness to which an angle can be set."),
    key(PLANE, "grind_width_mm", POSITIVE, "mm", "", "Grinding: width of the cut along the axis."),
    key(PLANE, "arc_max_deg", Kind::Number(Range::PositiveUpTo(180.0)), "deg", "", "Grinding: longest arc of a cut."),
    key(PLANE, "masses_g", Kind::Numbers(Range::Positive), "g", "", "Adding: masses at hand; one is fixed at a place."),
    key(PLANE, "fixing_max_rpm", RPM, "rpm", "", "Adding: highest speed for the way in which masses are fixed; refused where shaft.top_rpm is above."),
    key(PLANE, "seen_from", Kind::Text, "", "", "Side from which the wheel is seen and drilled, in words; pictures need it."),
    key(PLANE, "rotation_seen", Kind::Choice(&["clockwise", "counter_clockwise"]), "", "", "Sense of rotation seen from that side; pictures need it."),

    key(LIMITS, "overall_mm_s_rms", POSITIVE, "mm/s rms", "", "Overall velocity within band_hz."),
    key(LIMITS, "overall_g_rms", POSITIVE, "g rms", "", "Overall acceleration within band_hz."),
    key(LIMITS, "overall_um_rms", POSITIVE, "um rms", "", "Overall displacement within band_hz."),
    key(LIMITS, "order1_mm_s_rms", POSITIVE, "mm/s rms", "", "Velocity of the first order."),
    key(LIMITS, "order1_g_peak", POSITIVE, "g peak", "", "Acceleration of the first order."),
    key(LIMITS, "order1_um_pp", POSITIVE, "um p-p", "", "Displacement of the first order."),
    key(LIMITS, "sub_synchronous_mm_s_rms", POSITIVE, "mm/s rms", "only observed", "Velocity of all that lies between 0.1 and 0.65 orders (and above 10 Hz), where fluid films whirl."),
    key(LIMITS, "zone_class", ZONES, "", "no zones", "Class of machines in ISO 10816-1 or -3 whose zones A to D are told, with its boundary B/C as the limit where overall_mm_s_rms is not stated. They were written for machines of up to 12 000 or 15 000 rpm and for 10 to 1000 Hz."),
    key(LIMITS, "band_hz", Kind::Band, "Hz", "10 to at least three times the top speed", "Band of the overall values; there is no velocity at 0 Hz, so it begins above."),
    key(LIMITS, "from_rpm", Kind::Number(Range::NotNegative), "rpm", "everywhere", "The limits hold from this speed upwards."),
    key(LIMITS, "uncertainty_percent", PERCENT, "%", "5", "Standard uncertainty of a calibrated level (sensor, mounting, converter)."),

    key(ACCEPTANCE, "full_speed_rpm", RPM, "rpm", "shaft.top_rpm", "Full speed that must be reached."),
    key(ACCEPTANCE, "full_speed_tolerance_percent", PERCENT, "%", "1", "How close to full speed counts as reached."),
    key(ACCEPTANCE, "hold_s", Kind::Number(Range::NotNegative), "s", "2", "How long full speed must be held."),
    key(ACCEPTANCE, "tolerated", Kind::Texts, "", "none", "Faults that are tolerated, by id; they never lead to a rejection."),

    key(PREVALENCE, "imbalance", SHARE, "%", "that of the simulated rotors", "Share of machines with imbalance left."),
    key(PREVALENCE, "misalignment", SHARE, "%", "that of the simulated rotors", "Share of machines with misalignment."),
    key(PREVALENCE, "bent_shaft", SHARE, "%", "that of the simulated rotors", "Share of machines with a bent shaft."),
    key(PREVALENCE, "looseness", SHARE, "%", "that of the simulated rotors", "Share of machines with something loose."),
    key(PREVALENCE, "rub", SHARE, "%", "that of the simulated rotors", "Share of machines with a rub."),
    key(PREVALENCE, "bearing_outer", SHARE, "%", "that of the simulated rotors", "Share of machines with a damaged outer race."),
    key(PREVALENCE, "bearing_inner", SHARE, "%", "that of the simulated rotors", "Share of machines with a damaged inner race."),
    key(PREVALENCE, "bearing_ball", SHARE, "%", "that of the simulated rotors", "Share of machines with a damaged rolling element."),
    key(PREVALENCE, "bearing_cage", SHARE, "%", "that of the simulated rotors", "Share of machines with a damaged cage."),

    key(CONVENTION, "count", Kind::Choice(&["against_rotation", "with_rotation"]), "", "against_rotation", "Sense in which angles on the rotor are counted from the mark, in all that balancing reads and tells."),
];

/// The keys of a table, in the order of the documentation.
pub fn of_table(table: &str) -> impl Iterator<Item = &'static Key> {
    KEYS.iter().filter(move |row| row.table == table)
}

/// All keys as a Markdown page: one heading and table for each table of the file.
pub fn documentation() -> String {
    let mut page = String::from("# Keys of the machine file\n");
    for (table, about) in TABLES {
        let title = if table.is_empty() { "Top".into() } else { format!("`[{table}]`") };
        page.push_str(&format!("\n## {title}\n\n{about}\n\n"));
        page.push_str(
            "| key | takes | unit | default | meaning |\n| --- | --- | --- | --- | --- |\n",
        );
        for row in of_table(table) {
            let Key { key, unit, default, meaning, .. } = row;
            let takes = row.kind.words();
            page.push_str(&format!("| `{key}` | {takes} | {unit} | {default} | {meaning} |\n"));
        }
    }
    page
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::{
        Acceptance, Bearing, BearingType, BladeRow, Bore, Convention, Count, Limits, Machine,
        Method, Plane, Prevalence, Sense, Shaft,
    };
    use crate::recording::{ChannelSpec, Direction, Edge, PulseKind, Role};
    use crate::units::Unit;
    use serde::de::{DeserializeOwned, Deserializer, Error, Visitor, value};
    use serde::forward_to_deserialize_any;
    use std::cell::RefCell;

    /// Answers no value, but writes down the names that a type asks for.
    struct Listener<'a>(&'a RefCell<Vec<&'static str>>);

    impl<'de> Deserializer<'de> for Listener<'_> {
        type Error = value::Error;

        fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, Self::Error> {
            Err(Error::custom("only structs and enums"))
        }

        fn deserialize_struct<V: Visitor<'de>>(
            self,
            _: &'static str,
            fields: &'static [&'static str],
            visitor: V,
        ) -> Result<V::Value, Self::Error> {
            self.0.borrow_mut().extend(fields);
            self.deserialize_any(visitor)
        }

        fn deserialize_enum<V: Visitor<'de>>(
            self,
            _: &'static str,
            variants: &'static [&'static str],
            visitor: V,
        ) -> Result<V::Value, Self::Error> {
            self.0.borrow_mut().extend(variants);
            self.deserialize_any(visitor)
        }

        forward_to_deserialize_any! {
            bool i8 i16 i32 i64 u8 u16 u32 u64 f32 f64 char str string bytes byte_buf option unit
            unit_struct newtype_struct seq tuple tuple_struct map identifier ignored_any
        }
    }

    /// The fields or variants that serde accepts for `T`, sorted.
    fn accepted<T: DeserializeOwned>() -> Vec<&'static str> {
        let names = RefCell::new(Vec::new());
        assert!(T::deserialize(Listener(&names)).is_err());
        let mut names = names.into_inner();
        names.sort_unstable();
        names
    }

    fn documented(table: &str) -> Vec<&'static str> {
        let mut names: Vec<&str> = of_table(table).map(|row| row.key).collect();
        names.sort_unstable();
        names
    }

    #[test]
    fn keys_are_exactly_the_fields() {
        assert_eq!(documented(SHAFT), accepted::<Shaft>());
        assert_eq!(documented(CHANNEL), accepted::<ChannelSpec>());
        assert_eq!(documented(BEARING), accepted::<Bearing>());
        assert_eq!(documented(BLADE), accepted::<BladeRow>());
        assert_eq!(documented(PLANE), accepted::<Plane>());
        assert_eq!(documented(LIMITS), accepted::<Limits>());
        assert_eq!(documented(ACCEPTANCE), accepted::<Acceptance>());
        assert_eq!(documented(PREVALENCE), accepted::<Prevalence>());
        assert_eq!(documented(CONVENTION), accepted::<Convention>());
        let mut top = documented(TOP);
        top.extend(
            TABLES.iter().filter_map(|row| row.0.split('.').next()).filter(|t| !t.is_empty()),
        );
        top.sort_unstable();
        assert_eq!(top, accepted::<Machine>());
        assert!(KEYS.iter().all(|row| TABLES.iter().any(|table| table.0 == row.table)));
    }

    fn choices(table: &str, key: &str) -> Vec<&'static str> {
        let row = of_table(table).find(|row| row.key == key);
        let Some(Key { kind: Kind::Choice(words), .. }) = row else { return Vec::new() };
        let mut words = words.to_vec();
        words.sort_unstable();
        words
    }

    #[test]
    fn choices_are_exactly_the_variants() {
        assert_eq!(choices(CHANNEL, "role"), accepted::<Role>());
        assert_eq!(choices(CHANNEL, "unit"), accepted::<Unit>());
        assert_eq!(choices(CHANNEL, "direction"), accepted::<Direction>());
        assert_eq!(choices(CHANNEL, "edge"), accepted::<Edge>());
        assert_eq!(choices(CHANNEL, "pulse_kind"), accepted::<PulseKind>());
        assert_eq!(choices(BEARING, "type"), accepted::<BearingType>());
        assert_eq!(choices(PLANE, "method"), accepted::<Method>());
        assert_eq!(choices(PLANE, "bore"), accepted::<Bore>());
        assert_eq!(choices(PLANE, "rotation_seen"), accepted::<Sense>());
        assert_eq!(choices(CONVENTION, "count"), accepted::<Count>());
    }

    #[test]
    fn the_page_names_every_key() {
        let page = documentation();
        for row in KEYS {
            assert!(page.contains(&format!("| `{}` |", row.key)), "{}", row.key);
        }
        assert!(page.lines().filter(|l| l.starts_with("| `")).count() == KEYS.len());
    }
}
