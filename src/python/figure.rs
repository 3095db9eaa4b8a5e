//! Pictures of results in Python: each gives its picture as data, and draws it with matplotlib.

use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::angle::{PyOrderMap, PySynchronousAverage, PyTrack, PyTracks};
use super::balance::{self, PyJob};
use super::channel::PyChannel;
use super::convert::{OrderList, Pair, compute, exception};
use super::cyclic::PyCyclicSpectrum;
use super::diagnose::{PyDiagnosis, PyFinding};
use super::figure_data::as_dict;
use super::full_spectrum::PyFullSpectrum;
use super::interference::PyInterference;
use super::modulated::PyModulatedBands;
use super::orbit::PyOrbit;
use super::spectrum::{PyEnvelopeSpectrum, PySpectrogram, PySpectrum};
use super::speed::PySpeed;
use crate::case::bearing::Element;
use crate::case::{KnownOrders, NamedOrder};
use crate::error::{Error, Result};
use crate::figure::{
    self, Against, CyclicShown, DefectLines, EnvelopeCurve, Falling, Figure, Orders, Scale,
    TrackOf, TracksShown,
};
use crate::machine::Multipliers;
use crate::spectrum::Scaling;

/// Orders marked where a speed is given and no orders are.
const ORDERS: [f64; 3] = [1.0, 2.0, 3.0];

/// Adds `plot` to a class whose picture has one panel and no choices; the first line of its documentation is
/// given.
macro_rules! plots {
    ($class:ident, $first:literal) => {
        #[pymethods]
        impl $class {
            #[doc = $first]
            ///
            /// Parameters
            /// ----------
            /// ax : matplotlib.axes.Axes, optional
            ///     Where to draw; by default a new figure.
            ///
            /// Raises
            /// ------
            /// ImportError
            ///     Where matplotlib is not installed.
            #[pyo3(signature = (ax = None))]
            fn plot<'py>(
                &self,
                py: Python<'py>,
                ax: Option<Bound<'py, PyAny>>,
            ) -> PyResult<Bound<'py, PyAny>> {
                drawn(py, self.figure(py)?, ax)
            }
        }
    };
}

#[pymethods]
impl PyJob {
    /// The picture as plain data: the unbalance in each plane before the first correction and after each.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where no spin tells an unbalance yet.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        balance::course(py, self)
    }
}

plots!(
    PyJob,
    "Draw the course of the job: the unbalance in each plane, from correction to correction."
);

/// Draws a figure's data with matplotlib.
fn drawn<'py>(
    py: Python<'py>,
    figure: Bound<'py, PyDict>,
    ax: Option<Bound<'py, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    py.import("quietspin.plot")?.call_method1("draw", (figure, ax))
}

fn made<'py>(py: Python<'py>, figure: Result<Figure>) -> PyResult<Bound<'py, PyDict>> {
    as_dict(py, &figure.map_err(exception)?)
}

/// One of several words, or an error that names them.
fn chosen<T: Copy>(name: &str, word: &str, choices: &[(&str, T)]) -> Result<T> {
    let found = choices.iter().find(|(known, _)| *known == word).map(|(_, value)| *value);
    found.ok_or_else(|| {
        let known: Vec<&str> = choices.iter().map(|(known, _)| *known).collect();
        let problem = format!("{word:?} is none");
        Error::setting(name, problem, format!("choose among {}", known.join(", ")))
    })
}

fn band(pair: Option<Pair>) -> Option<[f64; 2]> {
    pair.map(|Pair(low, high)| [low, high])
}

fn against_of(word: Option<&str>) -> Result<Against> {
    let choices = [("speed", Against::Speed), ("time", Against::Time)];
    word.map_or(Ok(Against::Fitting), |word| chosen("against", word, &choices))
}

/// Orders to mark: those named, or the first three; none without a speed.
fn orders_of<'a>(
    speed: Option<&'a PySpeed>,
    orders: &'a Option<OrderList>,
) -> Result<Option<Orders<'a>>> {
    match (speed, orders) {
        (None, Some(_)) => {
            Err(Error::setting("orders", "no speed is given with them", "pass speed as well"))
        }
        (None, None) => Ok(None),
        (Some(speed), orders) => Ok(Some(Orders::new(
            &speed.inner,
            orders.as_ref().map_or(&ORDERS[..], |given| &given.0),
        ))),
    }
}

/// The lines of the bearing faults that a diagnosis found; none without one.
pub(super) fn found_of(
    known: &KnownOrders,
    diagnosis: Option<&Py<PyDiagnosis>>,
) -> Vec<NamedOrder> {
    diagnosis.map_or(Vec::new(), |one| figure::found_lines(known, &one.get().inner.findings))
}

/// Every order that has a name on the machine, what was found first.
fn names_of(known: &KnownOrders, found: &[NamedOrder]) -> Vec<NamedOrder> {
    let parts = Element::ALL.into_iter().flat_map(|part| known.of_part(part));
    found.iter().cloned().chain(known.blades()).chain(parts).collect()
}

#[pymethods]
impl PyChannel {
    /// The wave as data: panels, axes, curves, marks.
    ///
    /// Parameters
    /// ----------
    /// between_s : tuple of float, optional
    ///     First and last time in seconds; by default all of it. More than 8000 samples are gathered into
    ///     2000 columns, each from its least to its greatest value.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where no two samples lie between the times.
    #[pyo3(signature = (*, between_s = None) -> "dict[str, Any]")]
    fn figure<'py>(
        &self,
        py: Python<'py>,
        between_s: Option<Pair>,
    ) -> PyResult<Bound<'py, PyDict>> {
        made(py, figure::wave(&self.subject(), &self.inner, band(between_s)))
    }

    /// Draw the wave; returns the matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    /// between_s : tuple of float, optional
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, between_s = None))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        between_s: Option<Pair>,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, between_s)?, ax)
    }
}

#[pymethods]
impl PySpectrum {
    /// The spectrum as data: panels, axes, curves, marks.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Marks orders: as lines where it is steady, else as the stretches that they pass through.
    /// orders : float or list of float, default [1, 2, 3]
    ///     Orders to mark.
    /// band_hz : tuple of float, optional
    ///     Lowest and highest frequency shown.
    /// scale : {'log', 'linear', 'decibel'}, default 'log'
    ///     How values are laid along the axis.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the band holds fewer than two lines, an order is none, or orders come without a speed.
    #[pyo3(signature = (*, speed = None, orders = None, band_hz = None, scale = "log") -> "dict[str, Any]")]
    fn figure<'py>(
        &self,
        py: Python<'py>,
        speed: Option<Py<PySpeed>>,
        orders: Option<OrderList>,
        band_hz: Option<Pair>,
        scale: &str,
    ) -> PyResult<Bound<'py, PyDict>> {
        let choices = [
            ("log", Scale::Log),
            ("linear", Scale::Linear),
            ("decibel", Scale::Decibel { range_db: 80.0 }),
        ];
        let figure = || {
            let scale = chosen("scale", scale, &choices)?;
            let orders = orders_of(speed.as_ref().map(Py::get), &orders)?;
            let make =
                if self.inner.scaling == Scaling::Density { figure::psd } else { figure::spectrum };
            make(&self.subject, &self.inner, orders, band(band_hz), scale)
        };
        made(py, figure())
    }

    /// Draw the spectrum; returns the matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    /// speed, orders, band_hz, scale
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, speed = None, orders = None, band_hz = None, scale = "log"))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        speed: Option<Py<PySpeed>>,
        orders: Option<OrderList>,
        band_hz: Option<Pair>,
        scale: &str,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, speed, orders, band_hz, scale)?, ax)
    }
}

#[pymethods]
impl PySpectrogram {
    /// The spectrogram as data: panels, axes, map, order lines.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Puts order lines over the map, and bounds it to somewhat above them.
    /// orders : float or list of float, optional
    ///     Orders to mark; by default 1, 2, 3, the blades of the machine file, and what a diagnosis found.
    ///     Orders of blades and bearings are called by their names.
    /// band_hz : tuple of float, optional
    ///     Lowest and highest frequency shown; by default somewhat above the orders marked, blades left out.
    /// waterfall : bool, default False
    ///     Spectra one behind the other, over speed where one is given and changes, else over time.
    /// diagnosis : Diagnosis, optional
    ///     Marks and names the lines of the bearing faults that it found.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the band holds fewer than two lines, an order is none, orders come without a speed, or
    ///     there are fewer than two times.
    #[pyo3(signature = (*, speed = None, orders = None, band_hz = None, waterfall = false, diagnosis = None) -> "dict[str, Any]")]
    fn figure<'py>(
        &self,
        py: Python<'py>,
        speed: Option<Py<PySpeed>>,
        orders: Option<OrderList>,
        band_hz: Option<Pair>,
        waterfall: bool,
        diagnosis: Option<Py<PyDiagnosis>>,
    ) -> PyResult<Bound<'py, PyDict>> {
        let figure = || {
            let found = found_of(&self.known, diagnosis.as_ref());
            let names = names_of(&self.known, &found);
            let chosen = orders.is_some();
            let orders = orders_of(speed.as_ref().map(Py::get), &orders)?;
            let mut all = orders.map_or(Vec::new(), |orders| orders.orders.to_vec());
            all.extend(found.iter().map(|one| one.order));
            let reach = all.iter().copied().fold(0.0, f64::max);
            if !chosen {
                all.extend(self.known.blades().iter().map(|one| one.order));
            }
            let orders =
                orders.map(|orders| Orders { orders: &all, names: &names, reach, ..orders });
            let (inner, start_s, band_hz) = (&self.inner, self.start_s, band(band_hz));
            if waterfall {
                let falling = Falling::Spectrogram(inner, start_s);
                figure::waterfall(&self.subject, falling, orders, band_hz)
            } else {
                figure::spectrogram(&self.subject, inner, start_s, orders, band_hz)
            }
        };
        made(py, figure())
    }

    /// Draw the spectrogram; returns the matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    /// speed, orders, band_hz, waterfall, diagnosis
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, speed = None, orders = None, band_hz = None, waterfall = false, diagnosis = None))]
    #[allow(clippy::too_many_arguments)] // keyword arguments of a Python method
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        speed: Option<Py<PySpeed>>,
        orders: Option<OrderList>,
        band_hz: Option<Pair>,
        waterfall: bool,
        diagnosis: Option<Py<PyDiagnosis>>,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, speed, orders, band_hz, waterfall, diagnosis)?, ax)
    }
}

#[pymethods]
impl PyOrderMap {
    /// The order map as data: panels, axes, map, marks.
    ///
    /// Parameters
    /// ----------
    /// against : {'speed', 'time'}, optional
    ///     By default speed where it changes. Against speed, blocks are gathered (root mean square) into
    ///     120 steps.
    /// between_orders : tuple of float, optional
    ///     Lowest and highest order shown.
    /// waterfall : bool, default False
    ///     Order spectra one behind the other.
    /// diagnosis : Diagnosis, optional
    ///     Names the lines of the bearing faults that it found.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where fewer than two orders or blocks are left.
    #[pyo3(signature = (*, against = None, between_orders = None, waterfall = false, diagnosis = None) -> "dict[str, Any]")]
    fn figure<'py>(
        &self,
        py: Python<'py>,
        against: Option<&str>,
        between_orders: Option<Pair>,
        waterfall: bool,
        diagnosis: Option<Py<PyDiagnosis>>,
    ) -> PyResult<Bound<'py, PyDict>> {
        let figure = || {
            let mut further = found_of(&self.known, diagnosis.as_ref());
            further.extend(self.known.blades());
            let (against, between) = (against_of(against)?, band(between_orders));
            if waterfall {
                figure::waterfall(&self.subject, Falling::OrderMap(&self.inner), None, between)
            } else {
                figure::order_map(&self.subject, &self.inner, against, between, &further)
            }
        };
        made(py, figure())
    }

    /// Draw the order map; returns the matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    /// against, between_orders, waterfall, diagnosis
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, against = None, between_orders = None, waterfall = false, diagnosis = None))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        against: Option<&str>,
        between_orders: Option<Pair>,
        waterfall: bool,
        diagnosis: Option<Py<PyDiagnosis>>,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, against, between_orders, waterfall, diagnosis)?, ax)
    }
}

/// The picture of tracks as the caller asks for it.
fn tracks_figure(
    py: Python<'_>,
    tracks: &[PyTrack],
    against: Option<&str>,
    show: &str,
) -> PyResult<Figure> {
    let choices = [
        ("both", Some(TracksShown::Both)),
        ("amplitude", Some(TracksShown::Amplitude)),
        ("phase", Some(TracksShown::Phase)),
        ("polar", None),
    ];
    let panels = chosen("show", show, &choices).map_err(exception)?;
    let against = against_of(against).map_err(exception)?;
    let marked = panels.is_none() || against != Against::Time;
    let criticals: Vec<_> = compute(py, || {
        let found = |track: &PyTrack| if marked { track.marked_criticals() } else { Vec::new() };
        Ok(tracks.iter().map(found).collect())
    })?;
    let shown: Vec<TrackOf> = (tracks.iter().zip(&criticals))
        .map(|(track, criticals)| TrackOf {
            subject: &track.subject,
            track: &track.inner,
            phase_stated: track.phase_stated,
            slow_roll: track.slow_roll.as_ref(),
            criticals,
        })
        .collect();
    let figure = match panels {
        Some(panels) => figure::tracks(&shown, against, panels),
        None => figure::vectors(&shown),
    };
    figure.map_err(exception)
}

#[pymethods]
impl PyTrack {
    /// The track as data: panels, axes, curves with bands of two standard errors.
    ///
    /// Parameters
    /// ----------
    /// show : {'both', 'amplitude', 'phase', 'polar'}, default 'both'
    ///     Amplitude above phase (two axes), one of them, or both in one polar picture. Critical speeds that a
    ///     track of order 1 shows are marked over speed and in the polar picture, with their amplification.
    ///     Phase is unwrapped: it goes on over whole turns instead of stepping back to zero, so that the axis
    ///     may reach below 0 or above 360 degrees. It has gaps where the amplitude lies below three of its
    ///     standard errors.
    /// against : {'speed', 'time'}, optional
    ///     By default speed where it changes.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the track has no points, or a word is not among these.
    #[pyo3(signature = (*, show = "both", against = None) -> "dict[str, Any]")]
    fn figure<'py>(
        &self,
        py: Python<'py>,
        show: &str,
        against: Option<&str>,
    ) -> PyResult<Bound<'py, PyDict>> {
        as_dict(py, &tracks_figure(py, std::slice::from_ref(self), against, show)?)
    }

    /// Draw the track; returns the matplotlib axes, or an array of two where both are shown.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes or sequence of them, optional
    ///     Where to draw: as many as are shown; by default a new figure.
    /// show, against
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``, and where the number or kind of axes does not fit.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, show = "both", against = None))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        show: &str,
        against: Option<&str>,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, show, against)?, ax)
    }
}

#[pymethods]
impl PyTracks {
    /// The tracks in one picture as data; parameters and errors as ``Track.figure``.
    #[pyo3(signature = (*, show = "both", against = None) -> "dict[str, Any]")]
    fn figure<'py>(
        &self,
        py: Python<'py>,
        show: &str,
        against: Option<&str>,
    ) -> PyResult<Bound<'py, PyDict>> {
        as_dict(py, &tracks_figure(py, &self.tracks, against, show)?)
    }

    /// Draw the tracks in one picture; parameters, result and errors as ``Track.plot``.
    #[pyo3(signature = (ax = None, *, show = "both", against = None))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        show: &str,
        against: Option<&str>,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, show, against)?, ax)
    }
}

#[pymethods]
impl PyInterference {
    /// The interference diagram as data: lines of orders, discs for what was found, natural frequencies.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        made(py, figure::interference(&self.subject, &self.inner))
    }
}

plots!(PyInterference, "Draw the interference diagram; returns the matplotlib axes.");

#[pymethods]
impl PyOrbit {
    /// The orbit as data: the chosen orders together, and the mean turn over some turns as they were.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let [first, second] = &self.names;
        let [first_deg, second_deg] = self.angles_deg;
        let sensors = [(first.as_str(), first_deg), (second.as_str(), second_deg)];
        made(py, figure::orbit(&self.subject, &self.inner, sensors, self.phase_stated))
    }

    /// Draw the orbit: filtered on the left, the mean turn on the right; returns an array of both
    /// matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : sequence of two matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the number of axes does not fit.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py)?, ax)
    }
}

#[pymethods]
impl PyFullSpectrum {
    /// The full spectrum as data: the curve, with the whole orders marked.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        made(py, figure::full_spectrum(&self.subject, &self.inner))
    }
}

plots!(PyFullSpectrum, "Draw the full spectrum; returns the matplotlib axes.");

/// Parts of a bearing by their words; all without any.
fn parts_of(words: Option<Vec<String>>) -> Result<Vec<Element>> {
    let choices = [
        ("outer", Element::Outer),
        ("inner", Element::Inner),
        ("ball", Element::Ball),
        ("cage", Element::Cage),
    ];
    words.map_or(Ok(Element::ALL.to_vec()), |words| {
        words.iter().map(|word| chosen("parts", word, &choices)).collect()
    })
}

/// The lines of a bearing among those known.
fn lines_of<'a>(
    bearings: &'a [(String, Multipliers)],
    bearing: &str,
    parts: &'a [Element],
) -> Result<DefectLines<'a>> {
    let known = bearings.iter().find(|(name, _)| name == bearing);
    let (name, multipliers) = known.ok_or_else(|| {
        let names: Vec<&str> = bearings.iter().map(|(name, _)| name.as_str()).collect();
        let mend = if names.is_empty() {
            "the machine file describes none".to_owned()
        } else {
            format!("choose among {}", names.join(", "))
        };
        let problem = format!("{bearing:?} is no rolling bearing of known geometry");
        Error::setting("bearing", problem, mend)
    })?;
    Ok(DefectLines { bearing: name, multipliers: *multipliers, slip: 0.0, parts })
}

impl PyEnvelopeSpectrum {
    fn picture(&self, bearing: Option<&str>, parts: Option<Vec<String>>) -> Result<Figure> {
        let curve = EnvelopeCurve {
            subject: &self.subject,
            axis: &self.axis,
            values: &self.values,
            in_orders: self.in_orders,
            band_hz: self.band_hz,
        };
        let parts = parts_of(parts)?;
        let shaft_hz = self.speed_hz.or(self.stated_hz);
        let Some(bearing) = bearing else { return figure::envelope(curve, None, shaft_hz) };
        let lines = lines_of(&self.bearings, bearing, &parts)?;
        figure::envelope(curve, Some(&lines), shaft_hz)
    }
}

#[pymethods]
impl PyEnvelopeSpectrum {
    /// The envelope spectrum as data: panels, axes, curve, defect lines.
    ///
    /// Parameters
    /// ----------
    /// bearing : str, optional
    ///     A bearing of the machine file: marks the lines of its parts, their harmonics and, fainter, the
    ///     sidebands of those that pass the load zone. Slip of the cage is left out: lines may lie a
    ///     percent beside.
    /// parts : list of {'outer', 'inner', 'ball', 'cage'}, optional
    ///     The parts marked; by default all.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the bearing is unknown, or lines over Hz lack a shaft speed.
    #[pyo3(signature = (*, bearing = None, parts = None) -> "dict[str, Any]")]
    fn figure<'py>(
        &self,
        py: Python<'py>,
        bearing: Option<&str>,
        parts: Option<Vec<String>>,
    ) -> PyResult<Bound<'py, PyDict>> {
        made(py, self.picture(bearing, parts))
    }

    /// Draw the envelope spectrum; returns the matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    /// bearing, parts
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, bearing = None, parts = None))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        bearing: Option<&str>,
        parts: Option<Vec<String>>,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, bearing, parts)?, ax)
    }
}

#[pymethods]
impl PyCyclicSpectrum {
    /// The cyclic spectrum as data: panels, axes, map or curves, defect lines.
    ///
    /// Parameters
    /// ----------
    /// show : {'map', 'envelope'}, default 'map'
    ///     Squared coherence over cyclic orders (or frequencies) and carriers; or its mean over the carriers of a band,
    ///     with what noise reaches. On the map, lines too many for a page are gathered, the highest of each step kept.
    /// bearing : str, optional
    ///     A bearing of the machine file: marks the lines of its parts and their harmonics; in the envelope fainter
    ///     the sidebands of those that pass the load zone. Slip of the cage is left out: lines may lie a percent
    ///     beside.
    /// parts : list of {'outer', 'inner', 'ball', 'cage'}, optional
    ///     The parts marked; by default all.
    /// band_hz : tuple of float, optional
    ///     Carriers shown, or averaged in the envelope; by default all.
    /// between : tuple of float, optional
    ///     Lowest and highest cyclic order (or frequency in Hz) shown; by default all from a fifth of an order on.
    /// chance : float, default 0.01
    ///     Where noise ends: of the map's cells, noise of a steady level makes this share dark; in the envelope it
    ///     exceeds the broken line anywhere in this share of records, at most.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the band or the range holds too few lines, the chance does not lie between 0 and 1, the bearing is
    ///     unknown, or its lines over Hz lack a shaft speed.
    #[pyo3(signature = (*, show = "map", bearing = None, parts = None, band_hz = None, between = None, chance = 0.01) -> "dict[str, Any]")]
    #[allow(clippy::too_many_arguments)] // keyword arguments of a Python method
    fn figure<'py>(
        &self,
        py: Python<'py>,
        show: &str,
        bearing: Option<&str>,
        parts: Option<Vec<String>>,
        band_hz: Option<Pair>,
        between: Option<Pair>,
        chance: f64,
    ) -> PyResult<Bound<'py, PyDict>> {
        let figure = || {
            let choices = [("map", true), ("envelope", false)];
            let make = if chosen("show", show, &choices)? {
                figure::cyclic_map
            } else {
                figure::cyclic_envelope
            };
            let parts = parts_of(parts)?;
            let lines = bearing.map(|name| lines_of(&self.bearings, name, &parts)).transpose()?;
            make(&CyclicShown {
                subject: &self.subject,
                spectrum: &self.inner,
                lines: lines.as_ref(),
                stated_hz: self.stated_hz,
                band_hz: band(band_hz),
                between: band(between),
                chance,
            })
        };
        made(py, figure())
    }

    /// Draw the cyclic spectrum, or the envelope spectrum that it makes; returns the matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    /// show, bearing, parts, band_hz, between, chance
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, show = "map", bearing = None, parts = None, band_hz = None, between = None, chance = 0.01))]
    #[allow(clippy::too_many_arguments)] // keyword arguments of a Python method
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        show: &str,
        bearing: Option<&str>,
        parts: Option<Vec<String>>,
        band_hz: Option<Pair>,
        between: Option<Pair>,
        chance: f64,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, show, bearing, parts, band_hz, between, chance)?, ax)
    }
}

#[pymethods]
impl PyModulatedBands {
    /// The bands as data: a map of the tree over frequency and width, the chosen band outlined.
    ///
    /// Parameters
    /// ----------
    /// chance : float, default 0.01
    ///     As in ``chosen``: where noise would show a band like the first more often, none is outlined.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the bands are none of one tree.
    #[pyo3(signature = (*, chance = 0.01) -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>, chance: f64) -> PyResult<Bound<'py, PyDict>> {
        made(py, figure::modulated_bands(&self.subject, &self.inner, chance))
    }

    /// Draw the tree of bands, each shaded by how seldom noise shows lines as clear; returns the matplotlib axes.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw; by default a new figure.
    /// chance
    ///     As in ``figure``.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, chance = 0.01))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        chance: f64,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, chance)?, ax)
    }
}

#[pymethods]
impl PySpeed {
    /// The speed over time as data: curve with its band, repaired pulses, spans without pulses.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        made(py, figure::speed(&self.inner))
    }
}

plots!(PySpeed, "Draw the speed over time, repaired pulses marked; returns the matplotlib axes.");

#[pymethods]
impl PySynchronousAverage {
    /// The mean turn as data: curve with a band of two standard errors.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        made(py, figure::turn(&self.subject, &self.inner))
    }
}

plots!(PySynchronousAverage, "Draw the mean turn over shaft angle; returns the matplotlib axes.");

#[pymethods]
impl PyDiagnosis {
    /// A picture of the diagnosis as data.
    ///
    /// Parameters
    /// ----------
    /// show : {'overview', 'fitness', 'findings', 'levels'}, default 'overview'
    ///     One page of everything, or one part of it.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the word is not among these.
    #[pyo3(signature = (*, show = "overview") -> "dict[str, Any]")]
    fn figure<'py>(&self, py: Python<'py>, show: &str) -> PyResult<Bound<'py, PyDict>> {
        let choices = [("overview", 0), ("fitness", 1), ("findings", 2), ("levels", 3)];
        let figure = chosen("show", show, &choices).map_err(exception)?;
        match figure {
            0 => as_dict(py, &self.overview),
            1 => as_dict(py, &figure::fitness(&self.inner.fitness)),
            2 => as_dict(py, &figure::findings(&self.inner)),
            _ => as_dict(py, &figure::levels(&self.inner)),
        }
    }

    /// Draw the diagnosis: one A4 page, or one part of it.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes, optional
    ///     Where to draw, for one part; the overview makes a page of its own.
    /// show
    ///     As in ``figure``.
    ///
    /// Returns
    /// -------
    /// matplotlib.axes.Axes, or an array of them for the overview.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``figure``, and where the number of axes does not fit.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None, *, show = "overview"))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
        show: &str,
    ) -> PyResult<Bound<'py, PyAny>> {
        drawn(py, self.figure(py, show)?, ax)
    }
}

#[pymethods]
impl PyFinding {
    /// The picture behind the finding as data; None where it has none.
    #[pyo3(signature = () -> "dict[str, Any] | None")]
    fn figure<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyDict>>> {
        self.picture.as_ref().map(|figure| as_dict(py, figure)).transpose()
    }

    /// Draw the picture behind the finding: the envelope spectrum of a bearing with the lines of the part and
    /// the floor that they are held against; tracks with growth laws, limit, ratio or slow roll; the fitted
    /// response around a critical speed; order spectra and maps with the lines that the evidence names.
    ///
    /// Parameters
    /// ----------
    /// ax : matplotlib.axes.Axes or sequence of them, optional
    ///     Where to draw: as many as there are panels; by default a new figure.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the finding has no picture (``figure`` is None), or the number of axes does not fit.
    /// ImportError
    ///     Where matplotlib is not installed.
    #[pyo3(signature = (ax = None))]
    fn plot<'py>(
        &self,
        py: Python<'py>,
        ax: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyAny>> {
        let Some(figure) = self.figure(py)? else {
            return Err(PyValueError::new_err(format!(
                "{}: there is no picture of it; draw the channel's spectrum or order map instead",
                self.inner.fault
            )));
        };
        drawn(py, figure, ax)
    }
}
