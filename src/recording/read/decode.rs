//! From bytes to samples: interleaved or separate channels of the number formats that files use.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

/// How one sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Number {
    U8,
    I16,
    I24,
    I32,
    F32,
    F64,
}

impl Number {
    /// Bytes of one sample.
    pub(super) fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::I16 => 2,
            Self::I24 => 3,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    pub(super) fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }
}

/// How samples are stored: their number format and byte order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Layout {
    pub(super) number: Number,
    pub(super) big_endian: bool,
}

/// 2^-31: from the full 32-bit range to fractions of full scale; shorter integers are shifted up first.
const FULL: f32 = 1.0 / 2_147_483_648.0;

fn u8_fraction(b: [u8; 1]) -> f32 {
    let [b] = b;
    (f32::from(b) - 128.0) / 128.0
}

fn i16_fraction(x: i16) -> f32 {
    f32::from(x) / 32768.0
}

fn i24_fraction(b: [u8; 3]) -> f32 {
    let [low, middle, high] = b;
    // exact: 24 bits fit in an f32
    i32::from_le_bytes([0, low, middle, high]) as f32 * FULL
}

fn i32_fraction(x: i32) -> f32 {
    x as f32 * FULL
}

impl Layout {
    /// Appends the samples of `block`, frames of one sample per channel, to `out`, one vector per
    /// channel. Integers become fractions of full scale, -1 to 1. Bytes of an incomplete last frame
    /// are left out.
    pub(super) fn deinterleave(self, block: &[u8], out: &mut [Vec<f32>]) {
        match (self.number, self.big_endian) {
            (Number::U8, _) => split(block, out, u8_fraction),
            (Number::I16, false) => split(block, out, |b| i16_fraction(i16::from_le_bytes(b))),
            (Number::I16, true) => split(block, out, |b| i16_fraction(i16::from_be_bytes(b))),
            (Number::I24, false) => split(block, out, i24_fraction),
            (Number::I24, true) => split(block, out, |[h, m, l]| i24_fraction([l, m, h])),
            (Number::I32, false) => split(block, out, |b| i32_fraction(i32::from_le_bytes(b))),
            (Number::I32, true) => split(block, out, |b| i32_fraction(i32::from_be_bytes(b))),
            (Number::F32, false) => split(block, out, f32::from_le_bytes),
            (Number::F32, true) => split(block, out, f32::from_be_bytes),
            (Number::F64, false) => split(block, out, |b| f64::from_le_bytes(b) as f32),
            (Number::F64, true) => split(block, out, |b| f64::from_be_bytes(b) as f32),
        }
    }
}

/// The loop behind [`Layout::deinterleave`] for samples of `N` bytes.
fn split<const N: usize>(
    block: &[u8],
    out: &mut [Vec<f32>],
    decode: impl Fn([u8; N]) -> f32 + Copy,
) {
    if let [only] = out {
        // without gaps between the samples the compiler can use vector instructions
        only.extend(block.as_chunks::<N>().0.iter().map(|b| decode(*b)));
        return;
    }
    let frame_bytes = N * out.len();
    if frame_bytes == 0 {
        return;
    }
    for (channel, samples) in out.iter_mut().enumerate() {
        let from = channel * N;
        let sample_of = |frame: &[u8]| {
            let bytes = frame.get(from..).and_then(|rest| rest.first_chunk::<N>());
            // a frame always reaches this far; without the check there could be a panic
            bytes.map_or(0.0, |b| decode(*b))
        };
        samples.extend(block.chunks_exact(frame_bytes).map(sample_of));
    }
}

#[cfg(test)]
#[allow(clippy::indexing_slicing)]
mod tests {
    use super::*;

    fn one(number: Number, big_endian: bool, bytes: &[u8]) -> Vec<f32> {
        let mut out = vec![Vec::new()];
        Layout { number, big_endian }.deinterleave(bytes, &mut out);
        out.remove(0)
    }

    #[test]
    fn extremes_of_every_integer() {
        assert_eq!(one(Number::U8, false, &[0, 128, 255]), [-1.0, 0.0, 127.0 / 128.0]);
        assert_eq!(one(Number::I16, false, &[0, 0x80, 1, 0]), [-1.0, 1.0 / 32768.0]);
        assert_eq!(one(Number::I16, true, &[0x80, 0, 0, 1]), [-1.0, 1.0 / 32768.0]);
        assert_eq!(one(Number::I24, false, &[0, 0, 0x80, 1, 0, 0]), [-1.0, 1.0 / 8_388_608.0]);
        assert_eq!(one(Number::I24, true, &[0x80, 0, 0, 0, 0, 1]), [-1.0, 1.0 / 8_388_608.0]);
        assert_eq!(one(Number::I32, false, &i32::MIN.to_le_bytes()), [-1.0]);
        assert_eq!(one(Number::F64, true, &0.25_f64.to_be_bytes()), [0.25]);
    }

    #[test]
    fn frames_are_dealt_out_and_a_torn_one_is_left() {
        let mut out = vec![Vec::new(), Vec::new(), Vec::new()];
        let layout = Layout { number: Number::U8, big_endian: false };
        layout.deinterleave(&[0, 64, 128, 192, 255, 128, 7], &mut out);
        assert_eq!(out, [vec![-1.0, 0.5], vec![-0.5, 127.0 / 128.0], vec![0.0, 0.0]]);
    }
}
