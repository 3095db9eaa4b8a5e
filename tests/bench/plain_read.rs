//! The least that any program must do with a recording: decode the WAV file and take one real FFT of
//! each channel's full length. Prints the median of seven in seconds; the measure of `check`'s cost.

use std::path::Path;
use std::time::Instant;

use realfft::RealFftPlanner;

const REPEATS: usize = 7;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("name a WAV file")?;
    let mut seconds = Vec::new();
    for _ in 0..REPEATS {
        let start = Instant::now();
        transform(decode(Path::new(&path))?)?;
        seconds.push(start.elapsed().as_secs_f64());
    }
    seconds.sort_by(f64::total_cmp);
    #[allow(clippy::print_stdout, reason = "the result")]
    {
        println!("{}", seconds[REPEATS / 2]);
    }
    Ok(())
}

fn decode(path: &Path) -> hound::Result<Vec<Vec<f32>>> {
    let mut reader = hound::WavReader::open(path)?;
    let count = usize::from(reader.spec().channels);
    let scale = 0.5_f32.powi(i32::from(reader.spec().bits_per_sample) - 1);
    let mut channels = vec![Vec::with_capacity(reader.duration() as usize); count];
    for (i, sample) in reader.samples::<i32>().enumerate() {
        channels[i % count].push(sample? as f32 * scale);
    }
    Ok(channels)
}

fn transform(channels: Vec<Vec<f32>>) -> Result<(), realfft::FftError> {
    let mut planner = RealFftPlanner::<f32>::new();
    for mut samples in channels {
        let plan = planner.plan_fft_forward(samples.len());
        let mut lines = plan.make_output_vec();
        plan.process(&mut samples, &mut lines)?;
        std::hint::black_box(lines);
    }
    Ok(())
}
