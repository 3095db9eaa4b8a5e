//! The extension module `quietspin._core`: one file per room, one list of exports.
//!
//! Classes are frozen, hold what the library computed, and pickle. Long work runs with the
//! interpreter lock released.

// what pyo3 needs by value or by reference is given by Python's calling convention
#![allow(clippy::needless_pass_by_value)]

mod angle;
mod balance;
mod channel;
mod convert;
mod cyclic;
mod diagnose;
mod figure;
mod figure_data;
mod full_spectrum;
mod html;
mod interference;
mod machine;
mod modulated;
mod orbit;
mod recording;
mod screen;
mod separate;
mod simulate;
mod spectrum;
mod speed;

use pyo3::prelude::*;

/// The compiled core of quietspin.
#[pymodule(gil_used = false)]
mod _core {
    #[pymodule_export]
    use super::angle::{PyOrderMap, PySynchronousAverage, PyTrack, PyTracks};
    #[pymodule_export]
    use super::balance::{PyJob, unbalance_without_phase};
    #[pymodule_export]
    use super::channel::PyChannel;
    #[pymodule_export]
    use super::cyclic::PyCyclicSpectrum;
    #[pymodule_export]
    use super::diagnose::{
        PyCheck, PyDiagnosis, PyEvidence, PyFinding, PyLevel, diagnose, raw_scores, rivals, run_cli,
    };
    #[pymodule_export]
    use super::full_spectrum::PyFullSpectrum;
    #[pymodule_export]
    use super::interference::PyInterference;
    #[pymodule_export]
    use super::machine::{PyMachine, machine_from_text, machine_keys};
    #[pymodule_export]
    use super::modulated::PyModulatedBands;
    #[pymodule_export]
    use super::orbit::PyOrbit;
    #[pymodule_export]
    use super::recording::{PyRecording, read};
    #[pymodule_export]
    use super::screen::{
        PyScreenJournal, screen_columns, screen_csv, screen_figure, screen_jobs, screen_lines,
        screen_order, screen_row,
    };
    #[pymodule_export]
    use super::simulate::{PySimulated, simulate};
    #[pymodule_export]
    use super::spectrum::{PyEnvelopeSpectrum, PySpectrogram, PySpectrum};
    #[pymodule_export]
    use super::speed::PySpeed;
}
