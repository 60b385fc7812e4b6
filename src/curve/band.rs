//! Ranges of frequency.

/// From one frequency to another, both included, Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower end, Hz, above 0.
    pub from_hz: f64,
    /// Upper end, Hz, not below the lower one.
    pub to_hz: f64,
}

impl Band {
    /// Whether `f_hz` lies within.
    pub fn contains(&self, f_hz: f64) -> bool {
        (self.from_hz..=self.to_hz).contains(&f_hz)
    }

    /// Width, octaves.
    pub fn width_oct(&self) -> f64 {
        (self.to_hz / self.from_hz).log2()
    }

    /// What both cover; `None` where they do not meet.
    pub fn shared(&self, other: Band) -> Option<Band> {
        let both = Band {
            from_hz: self.from_hz.max(other.from_hz),
            to_hz: self.to_hz.min(other.to_hz),
        };
        (both.from_hz <= both.to_hz).then_some(both)
    }
}

/// Ends of a range as far as they are stated: of what is trusted, of what may be corrected.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Limits {
    /// Lower end, Hz.
    pub from_hz: Option<f64>,
    /// Upper end, Hz.
    pub to_hz: Option<f64>,
}

impl Limits {
    /// The ends that hold when both do.
    pub fn both(self, other: Limits) -> Limits {
        Limits {
            from_hz: self
                .from_hz
                .into_iter()
                .chain(other.from_hz)
                .reduce(f64::max),
            to_hz: self.to_hz.into_iter().chain(other.to_hz).reduce(f64::min),
        }
    }

    /// The same, no lower than `from_hz`.
    pub fn not_below(self, from_hz: Option<f64>) -> Limits {
        let to_hz = None;
        self.both(Limits { from_hz, to_hz })
    }

    /// What of `band` lies within; `None` where nothing does.
    pub fn of(self, band: Band) -> Option<Band> {
        band.shared(Band {
            from_hz: self.from_hz.unwrap_or(band.from_hz),
            to_hz: self.to_hz.unwrap_or(band.to_hz),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_hold_together_and_none_is_no_limit() {
        let limits = |from_hz, to_hz| Limits { from_hz, to_hz };
        let both = limits(Some(100.0), None).both(limits(Some(50.0), Some(8000.0)));
        assert_eq!(both, limits(Some(100.0), Some(8000.0)));
        assert_eq!(both.not_below(Some(200.0)).from_hz, Some(200.0));
        let band = |from_hz, to_hz| Band { from_hz, to_hz };
        assert_eq!(both.of(band(20.0, 400.0)), Some(band(100.0, 400.0)));
        assert_eq!(both.of(band(20.0, 40.0)), None);
        assert_eq!(band(100.0, 800.0).width_oct(), 3.0);
        assert!(band(100.0, 800.0).contains(800.0));
    }
}
