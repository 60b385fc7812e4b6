//! Where the room takes over from the speaker.

use crate::error::{Error, Result};

/// How the transition frequency came about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Origin {
    /// The user stated it.
    Stated,
    /// By Schroeder's formula from the room.
    Schroeder {
        /// Volume of the room, cubic metres.
        volume_m3: f64,
        /// Reverberation time, seconds.
        rt60_s: f64,
    },
    /// Nothing was stated: [`ASSUMED_HZ`].
    Assumed,
}

/// The frequency below which the room decides what is heard at a seat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transition {
    hz: f64,
    origin: Origin,
}

/// Taken where nothing is stated, Hz: the middle of what is observed in homes and control rooms,
/// 200 to 300 Hz (Toole, Sound Reproduction, 3rd edition, abstract of the chapter on rooms).
pub const ASSUMED_HZ: f64 = 250.0;

/// Transitions that make sense, Hz. Below, nothing audible is left to the room; above, whatever is
/// measured at a seat depends on where the head is. Our own judgement.
pub const RANGE_HZ: (f64, f64) = (25.0, 1000.0);

/// Higher than this is looser than the trade uses the word, Hz (200 to 500 Hz, from memory).
pub const USUAL_AT_MOST_HZ: f64 = 500.0;

/// Schroeder's frequency in Hz of a room of `volume_m3` cubic metres and a reverberation time of
/// `rt60_s` seconds, both above 0: from there on three modes overlap everywhere.
///
/// Source: M. R. Schroeder, J. Acoust. Soc. Am. 99 (1996): f = 2000 sqrt(T/V).
pub fn schroeder_hz(volume_m3: f64, rt60_s: f64) -> f64 {
    2000.0 * (rt60_s / volume_m3).sqrt()
}

impl Transition {
    /// A transition that the user states.
    ///
    /// # Errors
    /// When it lies outside [`RANGE_HZ`].
    pub fn stated(hz: f64) -> Result<Transition> {
        within(hz, "the transition").map(|hz| Transition {
            hz,
            origin: Origin::Stated,
        })
    }

    /// The transition of a room by [`schroeder_hz`]; both arguments are finite and above 0.
    ///
    /// # Errors
    /// When it lies outside [`RANGE_HZ`].
    pub fn of_room(volume_m3: f64, rt60_s: f64) -> Result<Transition> {
        let name = format!("the transition of a room of {volume_m3} m3 that rings for {rt60_s} s");
        within(schroeder_hz(volume_m3, rt60_s), &name).map(|hz| Transition {
            hz,
            origin: Origin::Schroeder { volume_m3, rt60_s },
        })
    }

    /// [`ASSUMED_HZ`].
    pub fn assumed() -> Transition {
        Transition {
            hz: ASSUMED_HZ,
            origin: Origin::Assumed,
        }
    }

    /// Hz.
    pub fn hz(&self) -> f64 {
        self.hz
    }

    /// How it came about.
    pub fn origin(&self) -> Origin {
        self.origin
    }
}

fn within(hz: f64, name: &str) -> Result<f64> {
    let (low, high) = RANGE_HZ;
    if hz.is_finite() && (low..=high).contains(&hz) {
        Ok(hz)
    } else {
        Err(Error::range(
            name,
            format!("{hz:.0} Hz"),
            format!("between {low} and {high} Hz"),
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_transition_outside_of_what_makes_sense_is_refused_with_its_numbers() {
        assert_eq!(
            Transition::of_room(10_000.0, 1.0).unwrap_err().to_string(),
            "the transition of a room of 10000 m3 that rings for 1 s is 20 Hz but must be between 25 and 1000 Hz"
        );
        assert!(Transition::stated(f64::NAN).is_err());
        assert_eq!(Transition::stated(200.0).unwrap().hz(), 200.0);
    }
}
