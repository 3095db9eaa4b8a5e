//! Signal-processing tools that know no domain: slices in, vectors out.

pub mod fft;
pub mod floor;
pub mod kernel;
pub mod peaks;
pub mod stats;
pub mod window;
