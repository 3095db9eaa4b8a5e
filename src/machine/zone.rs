//! Zones of vibration severity in the classes that standards name, for machines that belong to one.

use serde::{Deserialize, Serialize};

/// A class of machines for which a standard gives zones of velocity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ZoneClass {
    /// ISO 10816-1 class I: small machines, up to 15 kW.
    #[serde(rename = "iso_10816_1_class_1")]
    Part1Class1,
    /// ISO 10816-1 class II: medium machines, 15 to 75 kW.
    #[serde(rename = "iso_10816_1_class_2")]
    Part1Class2,
    /// ISO 10816-1 class III: large machines on rigid foundations.
    #[serde(rename = "iso_10816_1_class_3")]
    Part1Class3,
    /// ISO 10816-1 class IV: large machines on soft foundations.
    #[serde(rename = "iso_10816_1_class_4")]
    Part1Class4,
    /// ISO 10816-3 group 1, large machines, rigid support.
    #[serde(rename = "iso_10816_3_group_1_rigid")]
    Part3Group1Rigid,
    /// ISO 10816-3 group 1, large machines, flexible support.
    #[serde(rename = "iso_10816_3_group_1_flexible")]
    Part3Group1Flexible,
    /// ISO 10816-3 group 2, medium machines, rigid support.
    #[serde(rename = "iso_10816_3_group_2_rigid")]
    Part3Group2Rigid,
    /// ISO 10816-3 group 2, medium machines, flexible support.
    #[serde(rename = "iso_10816_3_group_2_flexible")]
    Part3Group2Flexible,
}

/// The four zones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Zone {
    /// As machines that have just been put into service.
    A,
    /// Good for unrestricted running over a long time.
    B,
    /// Not good for running over a long time: to be mended at the next occasion.
    C,
    /// High enough to do damage.
    D,
}

impl Zone {
    /// The letter.
    pub fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
            Self::D => "D",
        }
    }
}

impl ZoneClass {
    /// All classes, with the words of the machine file.
    pub const ALL: [(Self, &'static str); 8] = [
        (Self::Part1Class1, "iso_10816_1_class_1"),
        (Self::Part1Class2, "iso_10816_1_class_2"),
        (Self::Part1Class3, "iso_10816_1_class_3"),
        (Self::Part1Class4, "iso_10816_1_class_4"),
        (Self::Part3Group1Rigid, "iso_10816_3_group_1_rigid"),
        (Self::Part3Group1Flexible, "iso_10816_3_group_1_flexible"),
        (Self::Part3Group2Rigid, "iso_10816_3_group_2_rigid"),
        (Self::Part3Group2Flexible, "iso_10816_3_group_2_flexible"),
    ];

    /// The boundaries A/B, B/C and C/D in mm/s rms (ISO 10816-1:1995 annex B, ISO 10816-3, both from
    /// memory).
    pub fn boundaries_mm_s_rms(self) -> [f64; 3] {
        match self {
            Self::Part1Class1 => [0.71, 1.8, 4.5],
            Self::Part1Class2 => [1.12, 2.8, 7.1],
            Self::Part1Class3 => [1.8, 4.5, 11.2],
            Self::Part1Class4 => [2.8, 7.1, 18.0],
            Self::Part3Group1Rigid => [2.3, 4.5, 7.1],
            Self::Part3Group1Flexible => [3.5, 7.1, 11.0],
            Self::Part3Group2Rigid => [1.4, 2.8, 4.5],
            Self::Part3Group2Flexible => [2.3, 4.5, 7.1],
        }
    }

    /// The zone of a velocity in mm/s rms; a boundary belongs to the better zone.
    pub fn zone(self, mm_s_rms: f64) -> Zone {
        let [ab, bc, cd] = self.boundaries_mm_s_rms();
        match mm_s_rms {
            v if v <= ab => Zone::A,
            v if v <= bc => Zone::B,
            v if v <= cd => Zone::C,
            _ => Zone::D,
        }
    }

    /// The class in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Part1Class1 => "ISO 10816-1 class I (small machines, up to 15 kW)",
            Self::Part1Class2 => "ISO 10816-1 class II (medium machines, 15 to 75 kW)",
            Self::Part1Class3 => "ISO 10816-1 class III (large machines, rigid foundation)",
            Self::Part1Class4 => "ISO 10816-1 class IV (large machines, soft foundation)",
            Self::Part3Group1Rigid => "ISO 10816-3 group 1 (above 300 kW), rigid support",
            Self::Part3Group1Flexible => "ISO 10816-3 group 1 (above 300 kW), flexible support",
            Self::Part3Group2Rigid => "ISO 10816-3 group 2 (15 to 300 kW), rigid support",
            Self::Part3Group2Flexible => "ISO 10816-3 group 2 (15 to 300 kW), flexible support",
        }
    }

    /// Highest speed in rpm that the class was written for: 200 turns a second for part 1 (the title of
    /// ISO 2372, which it replaces), 15 000 rpm for part 3 (both from memory).
    pub fn top_rpm(self) -> f64 {
        match self {
            Self::Part1Class1 | Self::Part1Class2 | Self::Part1Class3 | Self::Part1Class4 => {
                12_000.0
            }
            _ => 15_000.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The series .28 .45 .71 1.12 1.8 2.8 4.5 7.1 11.2 18 28 45 of ISO 10816-1 annex B, steps of about
    /// 1.6 (4 dB); class I as several textbooks print it, the others and part 3 from memory.
    #[test]
    fn boundaries_are_those_of_the_tables() {
        let series = [0.28, 0.45, 0.71, 1.12, 1.8, 2.8, 4.5, 7.1, 11.2, 18.0, 28.0, 45.0];
        for (k, (class, _)) in ZoneClass::ALL.into_iter().take(4).enumerate() {
            // each class begins one step higher, and its boundaries lie two steps apart
            let expected = [series[2 + k], series[4 + k], series[6 + k]];
            assert_eq!(class.boundaries_mm_s_rms(), expected, "{class:?}");
        }
        assert_eq!(ZoneClass::Part3Group1Rigid.boundaries_mm_s_rms(), [2.3, 4.5, 7.1]);
        assert_eq!(ZoneClass::Part3Group1Flexible.boundaries_mm_s_rms(), [3.5, 7.1, 11.0]);
        assert_eq!(ZoneClass::Part3Group2Rigid.boundaries_mm_s_rms(), [1.4, 2.8, 4.5]);
        assert_eq!(ZoneClass::Part3Group2Flexible.boundaries_mm_s_rms(), [2.3, 4.5, 7.1]);
    }

    #[test]
    fn a_velocity_falls_into_its_zone() {
        let class = ZoneClass::Part1Class1;
        for (mm_s_rms, zone) in
            [(0.5, Zone::A), (0.71, Zone::A), (0.72, Zone::B), (2.0, Zone::C), (4.6, Zone::D)]
        {
            assert_eq!(class.zone(mm_s_rms), zone, "{mm_s_rms}");
        }
    }

    #[test]
    fn every_class_reads_from_its_word() {
        for (class, word) in ZoneClass::ALL {
            let read: ZoneClass = serde_json::from_value(word.into()).expect("a class");
            assert_eq!(read, class);
        }
    }
}
