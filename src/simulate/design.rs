//! A healthy speaker as it is designed.

use super::analog::{BoxTuning, Crossover, Filter};
use super::defect::{Fault, Place};
use super::vector::{FRONT, Vector, dot, place};
use crate::error::{Error, Result};
use std::f64::consts::PI;

/// A driver: a cap in the sphere.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Driver {
    /// Radius of what moves, m; below the sphere's.
    pub radius_m: f64,
    /// Height angle of its centre on the sphere, degrees, up positive.
    pub elevation_deg: f64,
    /// Side angle of its centre, degrees, towards positive horizontal.
    pub azimuth_deg: f64,
    /// Error of its level, dB.
    pub level_db: f64,
    /// What its own response leaves of flat, minimum phase.
    pub ripple: Vec<Filter>,
}

impl Driver {
    pub(super) fn position(&self) -> Vector {
        place(self.elevation_deg, self.azimuth_deg)
    }
}

/// A healthy speaker.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Design {
    /// Radius of the sphere that stands for the box, m.
    pub sphere_radius_m: f64,
    /// Measuring distance from its centre, m; `None` is the far field.
    pub distance_m: Option<f64>,
    /// Level of the pass band, dB.
    pub level_db: f64,
    /// Drivers from the lowest to the highest.
    pub drivers: Vec<Driver>,
    /// Crossovers between them, one less.
    pub crossovers: Vec<Crossover>,
    /// Alignment of the box.
    pub tuning: BoxTuning,
    /// Where the top falls off, second order, Hz.
    pub top_hz: f64,
    /// What the whole leaves of flat, minimum phase.
    pub ripple: Vec<Filter>,
}

impl Design {
    /// How much farther the sound of the highest driver travels to `u` than to the reference
    /// axis: straight where it is seen, along the surface where it is not. Taken out while the
    /// phase is unwrapped, so that coarse grids do not lose turns.
    pub(super) fn extra_path_m(&self, u: Vector) -> f64 {
        let Some(driver) = self.drivers.last() else {
            return 0.0;
        };
        let path = |u: Vector| {
            let cosine = dot(driver.position(), u).clamp(-1.0, 1.0);
            if cosine >= 0.0 {
                -cosine
            } else {
                cosine.acos() - 0.5 * PI
            }
        };
        self.sphere_radius_m * (path(u) - path(FRONT))
    }

    pub(super) fn check(&self) -> Result<()> {
        let refuse = |what: &str| Err(Error::call(format!("a simulated speaker needs {what}")));
        if self.drivers.is_empty() || self.crossovers.len() + 1 != self.drivers.len() {
            return refuse("drivers, and one crossover less than drivers");
        }
        let (box_hz, qs) = match self.tuning {
            BoxTuning::Sealed { f_hz, q } => (f_hz, [q, q]),
            BoxTuning::Vented { f_hz, q } => (f_hz, q),
        };
        let positive = [self.sphere_radius_m, self.top_hz, box_hz, qs[0], qs[1]];
        let crossovers = self.crossovers.iter().map(|c| c.f_hz);
        if !positive.into_iter().chain(crossovers).all(is_positive) || !self.level_db.is_finite() {
            return refuse("frequencies, radii and Q above 0");
        }
        if self
            .distance_m
            .is_some_and(|d| !(d.is_finite() && d > self.sphere_radius_m))
        {
            return refuse("a measuring distance beyond its box");
        }
        for driver in &self.drivers {
            self.check_cap(driver.radius_m)?;
            let angles = [driver.elevation_deg, driver.azimuth_deg, driver.level_db];
            if !angles.iter().all(|v| v.is_finite()) {
                return refuse("driver places that are numbers");
            }
        }
        let ripple = self.drivers.iter().flat_map(|d| &d.ripple);
        if !ripple.chain(&self.ripple).all(is_sound_filter) {
            return refuse("filters with f0 and Q above 0");
        }
        Ok(())
    }

    fn check_cap(&self, radius_m: f64) -> Result<()> {
        if is_positive(radius_m) && radius_m < self.sphere_radius_m {
            Ok(())
        } else {
            Err(Error::range(
                "radius of a source",
                format!("{radius_m} m"),
                format!("above 0 and below {} m", self.sphere_radius_m),
            ))
        }
    }

    pub(super) fn check_fault(&self, fault: &Fault) -> Result<()> {
        let (driver, numbers_sound) = match fault {
            Fault::Filter(filter, Place::Whole) => (0, is_sound_filter(filter)),
            Fault::Filter(filter, Place::Driver(driver)) => (*driver, is_sound_filter(filter)),
            Fault::Source(source) => {
                self.check_cap(source.radius_m)?;
                let free = [
                    source.elevation_deg,
                    source.azimuth_deg,
                    source.level,
                    source.delay_s,
                ];
                let sound = is_positive(source.f_hz)
                    && is_positive(source.q)
                    && free.iter().all(|v| v.is_finite());
                (source.driver, sound)
            }
            Fault::Offset {
                driver, delay_s, ..
            } => (*driver, delay_s.is_finite()),
            Fault::WideDriver { driver, radius_m } => {
                self.check_cap(*radius_m)?;
                (*driver, true)
            }
            Fault::Edge {
                driver,
                distance_m,
                strength,
                shares,
            } => {
                let sound = is_positive(*distance_m)
                    && strength.is_finite()
                    && shares.iter().all(|s| s.is_finite() && *s >= 0.0)
                    && shares.iter().sum::<f64>() > 0.0;
                (*driver, sound)
            }
            Fault::Reflection {
                place_m,
                strength,
                f_hz,
                q,
            } => {
                let sound = is_positive(*f_hz)
                    && is_positive(*q)
                    && strength.is_finite()
                    && place_m.iter().all(|v| v.is_finite());
                (0, sound)
            }
        };
        if driver >= self.drivers.len() {
            return Err(Error::call(format!(
                "a defect names driver {driver}, but there are {}",
                self.drivers.len()
            )));
        }
        if !numbers_sound {
            return Err(Error::call(
                "a defect needs finite numbers, with frequencies, Q and distances above 0",
            ));
        }
        Ok(())
    }
}

fn is_positive(value: f64) -> bool {
    value.is_finite() && value > 0.0
}

fn is_sound_filter(filter: &Filter) -> bool {
    let (Filter::Peaking { f_hz, gain_db, q }
    | Filter::LowShelf { f_hz, gain_db, q }
    | Filter::HighShelf { f_hz, gain_db, q }) = *filter;
    is_positive(f_hz) && is_positive(q) && gain_db.is_finite()
}
