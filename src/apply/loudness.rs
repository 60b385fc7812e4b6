//! Loudness of a programme by ITU-R BS.1770: K-weighting, channel weights, both gates.

use crate::error::{Error, Result};
use crate::wav::Format;
use ebur128::{Channel, EbuR128, Mode};

/// Loudspeaker bits of `WAVE_FORMAT_EXTENSIBLE` (Microsoft 2001, `dwChannelMask`).
const LOW_FREQUENCY: u32 = 0x8;
/// Back left and back right.
const BACK_PAIR: u32 = 0x30;
/// Side left and side right.
const SIDE_PAIR: u32 = 0x600;

/// Loudness of a programme that comes in blocks.
pub struct Loudness {
    meter: EbuR128,
}

impl Loudness {
    /// A meter for files of `format`.
    ///
    /// The channels' weights follow the loudspeakers that the format names: those at the side
    /// (BS.1770, Annex 1, table 3: 1.41) and the low-frequency channel, which does not count. In a
    /// layout without a side pair the back pair is that of the 5.1 layout. Without names, five and
    /// six channels are taken for left, right, centre(, low frequency), left and right surround,
    /// the table's own order; with any other number all count alike.
    ///
    /// # Errors
    /// When the meter takes no such rate or number of channels (16 Hz to 2.8 MHz, up to 64).
    pub fn new(format: &Format) -> Result<Self> {
        let refuse = |_| {
            Error::call(format!(
                "the loudness of {} channels at {} Hz cannot be measured",
                format.channels, format.rate_hz
            ))
            .with_hint("leave --level-matched out")
        };
        let channels = u32::from(format.channels);
        let mut meter = EbuR128::new(channels, format.rate_hz, Mode::I).map_err(refuse)?;
        for (index, channel) in (0..channels).zip(weights(format)) {
            meter.set_channel(index, channel).map_err(refuse)?;
        }
        Ok(Loudness { meter })
    }

    /// Takes whole frames, interleaved.
    ///
    /// # Errors
    /// When the meter refuses, which it does for nothing that it was made for.
    pub fn add(&mut self, frames: &[f64]) -> Result<()> {
        self.meter
            .add_frames_f64(frames)
            .map_err(|error| Error::call(format!("the loudness cannot be measured: {error}")))
    }

    /// Integrated loudness so far in LUFS; `None` when nothing has passed the absolute gate of
    /// -70 LUFS: the programme is silent or shorter than a block of 0.4 s.
    pub fn integrated_lufs(&self) -> Option<f64> {
        self.meter.loudness_global().ok().filter(|l| l.is_finite())
    }
}

fn weights(format: &Format) -> Vec<Channel> {
    // `Left` stands for all that count once, `LeftSurround` for 1.41.
    use Channel::{Left, LeftSurround, Unused};
    let count = usize::from(format.channels);
    let mask = match (format.channel_mask, count) {
        (0, 5) => 0x37,
        (0, 6) => 0x3f,
        (mask, _) => mask,
    };
    let side = if mask & SIDE_PAIR != 0 {
        SIDE_PAIR
    } else {
        BACK_PAIR
    };
    // The channels take the bits from the lowest up; those without a bit count once.
    let mut bits = (0..32).map(|n| 1u32 << n).filter(|bit| mask & bit != 0);
    (0..count)
        .map(|_| match bits.next() {
            Some(bit) if bit == LOW_FREQUENCY => Unused,
            Some(bit) if side & bit != 0 => LeftSurround,
            _ => Left,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wav::Sample;

    fn weight_letters(channels: u16, channel_mask: u32) -> String {
        let format = Format {
            rate_hz: 48_000,
            channels,
            sample: Sample::I16,
            channel_mask,
        };
        let letter = |channel: &Channel| match channel {
            Channel::Unused => '0',
            Channel::LeftSurround => 's',
            _ => '1',
        };
        weights(&format).iter().map(letter).collect()
    }

    #[test]
    fn surrounds_weigh_more_and_the_low_frequency_channel_nothing() {
        assert_eq!(weight_letters(2, 0), "11");
        assert_eq!(weight_letters(5, 0), "111ss");
        assert_eq!(weight_letters(6, 0), "1110ss");
        assert_eq!(weight_letters(6, 0x60f), "1110ss");
        // 7.1 with a back and a side pair: only the side pair weighs more.
        assert_eq!(weight_letters(8, 0x63f), "111011ss");
        assert_eq!(weight_letters(4, 0x3), "1111");
        assert_eq!(weight_letters(4, 0), "1111");
    }
}
