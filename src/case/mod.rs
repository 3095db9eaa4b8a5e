//! One recording's products, each computed once and on demand.
//!
//! A [`Case`] joins a recording, its machine and its speed; a [`View`] is one judged channel of it.
//! Signatures, levels and pictures ask the views and never compute a product themselves.

pub mod bearing;
pub mod gaps;
pub mod harmonics;
pub mod interference;
pub mod levels;
pub mod lone_line;
pub mod named_orders;
pub mod operating;
pub mod order_line;
pub mod shape;
pub mod sub_synchronous;

use std::cell::OnceCell;

use crate::angle::critical::{self, Critical, Observed, Response, bow};
use crate::angle::growth::{self, Growth};
use crate::angle::{OrderMap, Track, map};
use crate::fitness::{self, Check, Fit, Hum};
use crate::machine::{Machine, Multipliers};
use crate::recording::{Channel, Direction, Recording, Role};
use crate::spectrum::tap::TapResponse;
use crate::spectrum::{Spectrum, SpectrumConfig, averaged};
use crate::speed::{Speed, SpeedSource};
use crate::units::{Quantity, clause};
pub use harmonics::Harmonics;
pub use interference::Interference;
pub use levels::{Decision, InZone, Level};
pub use named_orders::{KnownOrders, NamedOrder, OrderKind};
pub use operating::Operating;
pub use order_line::OrderLine;
pub use sub_synchronous::SubSynchronous;

/// Highest order of the maps where the machine file names no blades: covers ten orders with room for
/// the lines beside them.
const MAP_ORDERS: f64 = 13.0;
/// An AC-coupled chain is trusted from so many times its corner upwards: there it turns the phase by 5.7 degrees.
const CORNERS: f64 = 10.0;
/// Multiples of the pole pairs at which an electrical machine on the shaft has lines, lowest first: twice the
/// electrical frequency, and the ripple of a three-phase bridge of six and of twelve pulses (ISO 13373-1: from
/// memory).
pub const ELECTRICAL_MULTIPLES: [u32; 3] = [2, 6, 12];
/// Orders kept above the highest line that is looked for, to see what surrounds it.
const ROOM_ORDERS: f64 = 2.0;
/// Bound on the orders of a map, whatever the blade count.
const MAX_MAP_ORDERS: f64 = 40.0;

/// One recording with its machine and speed, and everything derived from them.
#[derive(Debug)]
pub struct Case {
    /// The recording, specs applied.
    pub recording: Recording,
    /// The machine file, or the one that states nothing.
    pub machine: Machine,
    /// Shaft speed; `None` where none could be had.
    pub speed: Option<Speed>,
    /// What rings at standstill, channel by channel; empty where no recording of taps was given.
    pub taps: Vec<TapResponse>,
    judged: Vec<usize>,
    products: Vec<Products>,
    fitness: OnceCell<fitness::Measured>,
    levels: OnceCell<Vec<Level>>,
    bearings: OnceCell<Vec<bearing::Examination>>,
}

#[derive(Debug, Default)]
struct Products {
    map: OnceCell<Option<OrderMap>>,
    spectrum: OnceCell<Option<Spectrum>>,
    displacement: OnceCell<Option<Track>>,
    sub_synchronous: OnceCell<Option<SubSynchronous>>,
    criticals: OnceCell<critical::Seen>,
    demodulated: OnceCell<Option<bearing::Demodulated>>,
    harmonics: OnceCell<Option<Harmonics>>,
}

impl Case {
    /// A case; nothing is computed yet.
    pub fn new(recording: Recording, machine: Machine, speed: Option<Speed>) -> Self {
        let vibration = recording.with_role(Role::Vibration).next().is_some();
        let wanted = if vibration { Role::Vibration } else { Role::Sound };
        let judged: Vec<usize> = (0..recording.channels.len())
            .filter(|&i| recording.channels.get(i).is_some_and(|c| c.spec.role() == wanted))
            .collect();
        let products = judged.iter().map(|_| Products::default()).collect();
        Self {
            recording,
            machine,
            speed,
            taps: Vec::new(),
            judged,
            products,
            fitness: OnceCell::new(),
            levels: OnceCell::new(),
            bearings: OnceCell::new(),
        }
    }

    /// The judged channels: vibration, and where there is none, sound.
    pub fn views(&self) -> impl Iterator<Item = View<'_>> {
        self.judged.iter().zip(&self.products).filter_map(|(&index, products)| {
            let channel = self.recording.channels.get(index)?;
            Some(View { case: self, channel, products })
        })
    }

    /// Whether only sound was recorded: never a release, never more than 'investigate'.
    pub fn is_sound_alone(&self) -> bool {
        self.recording.with_role(Role::Vibration).next().is_none()
    }

    /// Whether angles are counted from pulses, so that phase can be followed over the run.
    pub fn phase_known(&self) -> bool {
        self.speed.as_ref().is_some_and(|speed| speed.source() == SpeedSource::Pulse)
    }

    /// The fitness checks.
    pub fn fitness(&self) -> &[Check] {
        &self.fitness_measured().checks
    }

    fn fitness_measured(&self) -> &fitness::Measured {
        self.fitness
            .get_or_init(|| fitness::measure(&self.recording, &self.machine, self.speed.as_ref()))
    }

    /// The levels, held against the machine's limits.
    pub fn levels(&self) -> &[Level] {
        self.levels.get_or_init(|| levels::of(self))
    }

    /// The critical speeds of the channel that tells them most clearly, the one that governs first.
    pub fn governing_criticals(&self) -> Vec<Critical> {
        let clearest = |view: &View| view.critical().map_or(0.0, |critical| critical.improvement);
        let view = self.views().max_by(|a, b| clearest(a).total_cmp(&clearest(b)));
        let mut criticals = view.map_or(Vec::new(), |view| view.criticals().to_vec());
        criticals.sort_by(|a, b| b.share.total_cmp(&a.share));
        criticals
    }

    /// The rolling bearings with known multipliers, by name.
    pub fn bearings(&self) -> Vec<(&str, Multipliers)> {
        // multipliers were checked when the machine file was read; what is wrong is none
        let bearings = self.machine.bearing.iter();
        bearings
            .filter_map(|(name, bearing)| {
                Some((name.as_str(), bearing.multipliers(name).ok().flatten()?))
            })
            .collect()
    }

    /// The vibration views at a bearing: those that name it; where none does, those that
    /// name no bearing.
    pub fn views_at(&self, bearing: &str) -> Vec<View<'_>> {
        let names = |view: &View| view.channel.spec.bearing.as_deref() == Some(bearing);
        let there: Vec<View> = self.views().filter(names).collect();
        if there.is_empty() {
            self.views().filter(|view| view.channel.spec.bearing.is_none()).collect()
        } else {
            there
        }
    }

    /// What was found at each rolling bearing, in the order of [`Case::bearings`]; empty without a speed.
    pub fn examinations(&self) -> &[bearing::Examination] {
        let make = || {
            let Some(speed) = &self.speed else { return Vec::new() };
            let bearings = self.bearings().into_iter();
            let examine = |(name, multipliers): (&str, Multipliers)| {
                let views = self.views_at(name);
                let channels: Vec<(&str, &bearing::Demodulated)> =
                    views.iter().filter_map(|v| Some((v.name(), v.demodulated()?))).collect();
                bearing::examine(name, &multipliers, &channels, speed)
            };
            bearings.map(examine).collect()
        };
        self.bearings.get_or_init(make)
    }

    /// What was found of a part of a bearing, and the lines that it rests on as they were judged; `None` where
    /// the bearing could not be examined.
    pub fn judged(
        &self,
        bearing: &str,
        element: bearing::Element,
    ) -> Option<(&bearing::PartFound, bearing::Judged)> {
        let (_, multipliers) = self.bearings().into_iter().find(|(name, _)| *name == bearing)?;
        let examination = self.examinations().iter().find(|one| one.bearing == bearing)?;
        let parts = examination.parts.as_ref().ok()?;
        let part = parts.iter().find(|part| part.element == element)?;
        let view = self.views().find(|view| view.name() == part.channel)?;
        let judged = bearing::Judged::of(part, &multipliers, view.demodulated()?)?;
        Some((part, judged))
    }

    /// The highest inner-race order of all rolling bearings.
    fn highest_defect_order(&self) -> Option<f64> {
        self.bearings().iter().map(|(_, m)| m.bpfi).reduce(f64::max)
    }

    /// Orders at which the electrical machine on the shaft has lines, lowest first; empty where none is stated.
    pub fn electrical_orders(&self) -> Vec<u32> {
        let pole_pairs = self.machine.shaft.pole_pairs.iter();
        pole_pairs.flat_map(|pairs| ELECTRICAL_MULTIPLES.map(|multiple| multiple * pairs)).collect()
    }

    fn map_orders(&self) -> f64 {
        let blades = self.machine.blade.values().map(|row| row.count).max().unwrap_or(0);
        let electrical = self.electrical_orders().into_iter().max().unwrap_or(0);
        let highest = (1.2 * f64::from(blades)).max(f64::from(electrical) + ROOM_ORDERS);
        highest.clamp(MAP_ORDERS, MAX_MAP_ORDERS)
    }
}

/// One judged channel of a case.
#[derive(Clone, Copy)]
pub struct View<'a> {
    /// The case that it belongs to.
    pub case: &'a Case,
    /// The channel.
    pub channel: &'a Channel,
    products: &'a Products,
}

impl<'a> View<'a> {
    /// The channel's name.
    pub fn name(&self) -> &'a str {
        self.channel.name()
    }

    /// The place shown to the user: the bearing at which the channel sits, else the channel.
    pub fn place(&self) -> String {
        self.channel.spec.bearing.clone().unwrap_or_else(|| self.channel.name().to_owned())
    }

    /// Whether the sensor feels along the shaft.
    pub fn is_axial(&self) -> bool {
        self.channel.spec.direction == Direction::Axial
    }

    /// Whether the channel is calibrated as acceleration, velocity or displacement, so that its levels
    /// are absolute.
    pub fn measures_motion(&self) -> bool {
        self.channel.spec.quantity().derivative_of_displacement().is_some()
    }

    /// Whether the sensor looks at the shaft: a radial sensor of displacement, as motion of housings is measured
    /// as velocity or acceleration (common practice, no source).
    pub fn looks_at_shaft(&self) -> bool {
        self.channel.spec.quantity() == Quantity::Displacement && !self.is_axial()
    }

    /// The quantity of the channel; one that is not stated counts as acceleration (relative), as
    /// nearly all sensors of casings are accelerometers (common practice, no source).
    pub fn quantity(&self) -> Quantity {
        match self.channel.spec.quantity() {
            known if known.derivative_of_displacement().is_some() => known,
            _ => Quantity::Acceleration,
        }
    }

    /// The order map, with the case's highest order free of aliases.
    pub fn order_map(&self) -> Option<&'a OrderMap> {
        let make = || {
            let speed = self.case.speed.as_ref()?;
            OrderMap::of_channel(self.channel, speed, self.case.map_orders()).ok()
        };
        self.products.map.get_or_init(make).as_ref()
    }

    /// The averaged amplitude spectrum in the channel's unit; `None` for a very short recording.
    pub fn spectrum(&self) -> Option<&'a Spectrum> {
        let make = || {
            let config = SpectrumConfig::default();
            let (values, rate_hz) = (self.channel.values(), self.channel.rate_hz);
            let averaged = averaged::averaged_spectrum(values, rate_hz, &config).ok()?;
            Some(averaged.amplitude().with_unit(self.channel.spec.unit().symbol()))
        };
        self.products.spectrum.get_or_init(make).as_ref()
    }

    /// The track of an order as another quantity in SI (or relative, uncalibrated).
    pub fn track_as(&self, order: f64, quantity: Quantity) -> Option<Track> {
        let factor = self.channel.spec.unit().si_factor();
        self.order_map()?.track(order)?.converted(self.quantity(), quantity, factor)
    }

    /// The first order's displacement in SI (or relative, uncalibrated).
    pub fn displacement(&self) -> Option<&'a Track> {
        let make = || self.track_as(1.0, Quantity::Displacement);
        self.products.displacement.get_or_init(make).as_ref()
    }

    /// The sub-synchronous part of the signal; `None` without an order map fine enough to hold it.
    pub fn sub_synchronous(&self) -> Option<&'a SubSynchronous> {
        let make = || {
            // lines of the mains are no whirl, whatever order they lie at
            let hum = self.hum().map_or(Vec::new(), Hum::free_hz);
            SubSynchronous::of(self.order_map()?, &hum)
        };
        self.products.sub_synchronous.get_or_init(make).as_ref()
    }

    /// The line at an order of the shaft; `None` where the order is judged at no speed.
    pub fn line_at(&self, order: f64) -> Option<OrderLine> {
        OrderLine::of(&self.order_map()?.track(order)?)
    }

    /// Why [`View::line_at`] has none at an order, to follow the name of the order.
    pub fn why_no_line_at(&self, order: f64) -> String {
        let slowest_hz = self.case.speed.as_ref().map_or(0.0, |speed| speed.range_rpm().0 / 60.0);
        if order * slowest_hz > self.judged_hz() {
            return "lies above what the sampling rate carries at every speed".to_owned();
        }
        let Some(map) = self.order_map() else {
            return "cannot be looked at: too few turns were recorded for a map of orders"
                .to_owned();
        };
        let highest = map.highest_order();
        if order >= highest {
            return format!("lies above order {highest:.0}, the highest that is looked at");
        }
        "has nothing beside it that it could be held against".to_owned()
    }

    /// Why the signal says nothing of the machine: what it holds is its sensor's own, or its tops are missing;
    /// `None` where neither is so.
    pub fn untrusted(&self) -> Option<String> {
        let of_channel = |check: &&Check| {
            check.fit == Fit::Unfit && check.channel.as_deref() == Some(self.name())
        };
        self.case.fitness().iter().filter(of_channel).find_map(|check| {
            let told = match check.id.as_str() {
                "loose_sensor" => {
                    format!("the sensor of {}, not the machine, makes this signal", self.name())
                }
                "clipping" => {
                    format!(
                        "the signal of {} is cut off, so that it says nothing of this",
                        self.name()
                    )
                }
                _ => return None,
            };
            Some(format!("{told}: {}", clause(&check.found)))
        })
    }

    /// Lines at multiples of a mains frequency; `None` where they cannot be placed.
    pub fn hum(&self) -> Option<&'a Hum> {
        self.case.fitness_measured().hum.iter().find(|hum| hum.channel == self.name())
    }

    /// Harmonics of the shaft and fractions of its order; `None` without a speed, or with too few turns.
    pub fn harmonics(&self) -> Option<&'a Harmonics> {
        let make = || Harmonics::of(self.order_map()?, self.quantity());
        self.products.harmonics.get_or_init(make).as_ref()
    }

    /// What of the first order is there at slow roll, and what grows with speed through these critical speeds, the
    /// governing one first; `None` without a speed, without phase, or where no passage leads through it.
    ///
    /// Speeds below ten times the corner of an AC-coupled chain are left out.
    pub fn parted(&self, criticals: &[Critical]) -> Option<bow::Parts> {
        let speed = self.case.speed.as_ref().filter(|_| self.case.phase_known())?;
        let corner_rpm = self.channel.spec.corner_hz.map_or(0.0, |hz| 60.0 * CORNERS * hz);
        let track = self.displacement()?.where_rpm(|rpm| rpm >= corner_rpm);
        let rpm_at = |time_s: f64| speed.rpm_at(time_s);
        bow::part(&track, &rpm_at, self.observed()?, criticals)
    }

    /// What the first order's track is made of.
    fn observed(&self) -> Option<Observed> {
        let (map, speed) = (self.order_map()?, self.case.speed.as_ref()?);
        let turns = map.turns_per_block as f64;
        let observed = Observed::of(self.quantity(), turns, self.case.phase_known());
        Some(Observed { speed_error_percent: speed.error_percent, ..observed })
    }

    /// The critical speeds passed during the recording that are seen here, lowest first.
    pub fn criticals(&self) -> &'a [Critical] {
        &self.seen().criticals
    }

    /// The response that was fitted to tell them, in SI displacement (or relative, uncalibrated), passage by
    /// passage.
    pub fn responses(&self) -> &'a [Response] {
        &self.seen().responses
    }

    fn seen(&self) -> &'a critical::Seen {
        let make = || {
            let (Some(track), Some(observed)) = (self.displacement(), self.observed()) else {
                return critical::Seen::default();
            };
            let Some(speed) = &self.case.speed else { return critical::Seen::default() };
            critical::seen(track, &|time_s| speed.rpm_at(time_s), observed)
        };
        self.products.criticals.get_or_init(make)
    }

    /// The critical speed that is seen most strongly here, if there is one.
    pub fn critical(&self) -> Option<Critical> {
        self.criticals().iter().copied().max_by(|a, b| a.share.total_cmp(&b.share))
    }

    /// How the first order grows below and above the critical speeds, those seen here and those stated.
    pub fn growth_laws(&self) -> Vec<Growth> {
        let seen = self.criticals().iter().map(|critical| critical.rpm);
        let stated = self.case.machine.shaft.critical_rpm.iter().copied();
        let criticals_rpm: Vec<f64> = seen.chain(stated).collect();
        self.displacement().map_or(Vec::new(), |track| growth::laws(track, &criticals_rpm))
    }

    /// What rings at standstill in the channel of this name, where a recording of taps was given and they are
    /// felt there.
    pub fn tapped(&self) -> Option<&'a TapResponse> {
        let mut felt = self.case.taps.iter().filter(|response| response.taps > 0);
        felt.find(|response| response.channel == self.name())
    }

    /// The envelope spectra in which bearing defects are looked for; `None` without speed or bearing.
    pub fn demodulated(&self) -> Option<&'a bearing::Demodulated> {
        let make = || {
            let highest_order = self.case.highest_defect_order()?;
            let speed = self.case.speed.as_ref()?;
            Some(bearing::Demodulated::of(self.channel, speed, highest_order))
        };
        self.products.demodulated.get_or_init(make).as_ref()
    }

    /// Highest frequency judged in this channel, in Hz.
    pub fn judged_hz(&self) -> f64 {
        map::JUDGED_SHARE_OF_RATE * self.channel.rate_hz
    }
}
