//! Which arithmetic runs the filters.

use super::double::Double;
use super::single::Single;
use super::words::{Saturation, Words};
use crate::device::Number;
use crate::error::{Error, Result};
use crate::filter::Bank;
use crate::filter_list::FilterList;

/// How the filters are computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arithmetic {
    /// 64-bit floating point whatever the device: the listed coefficients without the device's
    /// rounding noise.
    Double,
    /// As the device computes: in the number format of the list, bit by bit.
    AsDevice,
}

/// Filters with their state.
#[derive(Debug, Clone)]
pub struct Engine {
    number: Number,
    inner: Inner,
}

#[derive(Debug, Clone)]
enum Inner {
    Double(Double),
    Single(Single),
    Words(Words),
}

impl Engine {
    /// The filters of `list` at rest, for `channels` channels (above 0).
    ///
    /// # Errors
    /// When a section is not stable, or the device's arithmetic was asked for and the list has
    /// none (it takes knobs), or the level in front does not fit its format.
    pub fn new(list: &FilterList, arithmetic: Arithmetic, channels: usize) -> Result<Self> {
        let bank = list.bank();
        if let Some(at) = bank.sections.iter().position(|s| !s.is_stable()) {
            return Err(Error::call(format!(
                "stage {} is not stable: its poles reach {:.6} from the origin, its output would grow without end",
                at + 1,
                bank.sections[at].poles().radius
            ))
            .with_hint("planish check LIST says what is wrong with it"));
        }
        let inner = match (arithmetic, list.number) {
            (Arithmetic::AsDevice, Number::None) => {
                return Err(Error::call(
                    "this list is for a device of knobs; how it computes is not known",
                )
                .with_hint("leave --bit-exact out to hear its settings in 64-bit floating point"));
            }
            (Arithmetic::Double, _) | (Arithmetic::AsDevice, Number::F64) => {
                Inner::Double(Double::new(&bank, channels))
            }
            (Arithmetic::AsDevice, Number::F32) => Inner::Single(Single::new(&bank, channels)),
            (Arithmetic::AsDevice, number @ Number::Fixed { .. }) => {
                Inner::Words(Words::new(&bank, number, channels)?)
            }
        };
        let number = match inner {
            Inner::Double(_) => Number::F64,
            _ => list.number,
        };
        Ok(Engine { number, inner })
    }

    /// A level of `gain_db` and nothing else, in 64-bit floating point.
    pub fn level(gain_db: f64, channels: usize) -> Self {
        let bank = Bank {
            // Without sections there is nothing that depends on it.
            rate_hz: 1.0,
            gain_db,
            sections: Vec::new(),
        };
        Engine {
            number: Number::F64,
            inner: Inner::Double(Double::new(&bank, channels)),
        }
    }

    /// The number format of the arithmetic; never [`Number::None`].
    pub fn number(&self) -> Number {
        self.number
    }

    /// Filters whole frames, interleaved, in place; goes on where the last call ended.
    pub fn process(&mut self, frames: &mut [f64]) {
        match &mut self.inner {
            Inner::Double(cascade) => cascade.process(frames),
            Inner::Single(cascade) => cascade.process(frames),
            Inner::Words(cascade) => cascade.process(frames),
        }
    }

    /// Where words have saturated inside; empty with floating point.
    pub fn saturations(&self) -> Vec<Saturation> {
        match &self.inner {
            Inner::Words(cascade) => cascade.saturations(),
            _ => Vec::new(),
        }
    }
}
