//! Signal-processing tools that know no domain: slices in, vectors out.

pub mod banded;
pub mod blocks;
pub mod columns;
pub mod fft;
pub mod floor;
pub mod gamma;
pub mod halfband;
pub mod hermite;
pub mod kernel;
pub mod least_squares;
pub mod moments;
pub mod peaks;
pub mod prediction;
pub mod segments;
pub mod stats;
#[cfg(test)]
pub(crate) mod test_noise;
pub mod window;
pub mod window_response;
