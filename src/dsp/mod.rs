//! Signal-processing tools that know no domain: slices in, vectors out.

pub mod banded;
pub mod blocks;
pub mod fft;
pub mod floor;
pub mod gamma;
pub mod halfband;
pub mod hermite;
pub mod kernel;
pub mod least_squares;
pub mod moments;
pub mod peaks;
pub mod segments;
pub mod stats;
pub mod window;
pub mod window_response;
