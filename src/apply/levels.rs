//! What came out: peaks, and every sample that did not fit.

/// What did not fit in one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelOvers {
    /// Samples beyond the range.
    pub samples: u64,
    /// Frame of the first one; of no meaning when there is none.
    pub first_frame: u64,
    /// The largest of them in amplitude, relative to full scale.
    pub largest: f64,
    /// Its frame.
    pub largest_frame: u64,
}

/// Peaks of a programme and what of it is beyond a range.
#[derive(Debug, Clone, PartialEq)]
pub struct Levels {
    /// Highest sample that fits.
    top: f64,
    /// Lowest sample that fits.
    bottom: f64,
    /// Frames seen.
    pub frames: u64,
    /// Largest amplitude, relative to full scale.
    pub peak: f64,
    /// By channel.
    pub channels: Vec<ChannelOvers>,
}

impl Levels {
    /// Nothing seen yet; samples from `bottom` to `top` fit. What would be rounded to the end of
    /// the range is the caller's affair: the limits given here are taken as they stand.
    pub fn new(channels: usize, bottom: f64, top: f64) -> Self {
        let none = ChannelOvers {
            samples: 0,
            first_frame: 0,
            largest: 0.0,
            largest_frame: 0,
        };
        Levels {
            top,
            bottom,
            frames: 0,
            peak: 0.0,
            channels: vec![none; channels],
        }
    }

    /// Looks at whole frames, interleaved. False when a sample is not finite; nothing of this
    /// block is counted then.
    pub fn add(&mut self, frames: &[f64]) -> bool {
        let (mut lowest, mut highest) = (0.0f64, 0.0f64);
        // Zero times a number is NaN exactly where the number is not finite.
        let mut sound = 0.0;
        for sample in frames {
            lowest = if *sample < lowest { *sample } else { lowest };
            highest = if *sample > highest { *sample } else { highest };
            sound += 0.0 * *sample;
        }
        if sound != 0.0 {
            return false;
        }
        self.peak = self.peak.max(highest).max(-lowest);
        let count = self.channels.len();
        if lowest < self.bottom || highest > self.top {
            for (frame, samples) in (self.frames..).zip(frames.chunks_exact(count)) {
                for (seen, sample) in self.channels.iter_mut().zip(samples) {
                    if !(self.bottom..=self.top).contains(sample) {
                        seen.add(frame, sample.abs());
                    }
                }
            }
        }
        self.frames += (frames.len() / count) as u64;
        true
    }

    /// Samples beyond the range in all channels.
    pub fn overs(&self) -> u64 {
        self.channels.iter().map(|channel| channel.samples).sum()
    }
}

impl ChannelOvers {
    fn add(&mut self, frame: u64, amplitude: f64) {
        if self.samples == 0 {
            self.first_frame = frame;
        }
        self.samples += 1;
        if amplitude > self.largest {
            self.largest = amplitude;
            self.largest_frame = frame;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overs_are_counted_by_channel_with_the_first_and_the_largest() {
        let mut levels = Levels::new(2, -1.0, 0.5);
        assert!(levels.add(&[0.0, 0.5, -1.0, 0.0]));
        assert!(levels.add(&[0.0, 0.6, 0.0, -1.5, 0.0, 0.7]));
        assert_eq!((levels.frames, levels.overs(), levels.peak), (5, 3, 1.5));
        assert_eq!(levels.channels[0].samples, 0);
        assert_eq!(
            levels.channels[1],
            ChannelOvers {
                samples: 3,
                first_frame: 2,
                largest: 1.5,
                largest_frame: 3
            }
        );
    }

    #[test]
    fn what_is_not_finite_is_seen() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert!(!Levels::new(1, -1.0, 1.0).add(&[0.5, bad, 0.25]));
        }
    }
}
