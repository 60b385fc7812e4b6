//! The members of the populations: drawn from a seed, or read from a folder, and measured.

use super::known::Known;
use crate::curve::{Curve, Grid};
use crate::error::{Error, Result};
use crate::read::folder::{Measured as Read, read_speaker};
use crate::response::{Member, Orbit, Response};
use crate::simulate::{
    FieldSpeaker, Habits, MarketSpeaker, Measurement, Sides, Simulated, SketchSpeaker, Speaker,
};
use crate::units::{db_to_power, power_to_db};
use std::path::Path;
use std::str::FromStr;

/// What is measured of each speaker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Evidence {
    /// Both orbits in full.
    Full,
    /// The horizontal orbit from 0 to 180 degrees only.
    OneSide,
    /// No vertical orbit.
    NoVertical,
    /// Averaged curves only.
    Averages,
    /// Both orbits in third octaves, joined by lines.
    Thirds,
}

/// What the speakers drawn here are made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Physics {
    /// Caps that move in a rigid sphere.
    Sphere,
    /// Points in a free field with smooth directivities.
    Field,
    /// Directivities and lobes sketched by formula.
    Sketch,
    /// Sources on boxes with edges, as wide as the market and as mild.
    Market,
}

impl FromStr for Evidence {
    type Err = Error;

    fn from_str(name: &str) -> Result<Evidence> {
        Ok(match name {
            "full" => Evidence::Full,
            "one-side" => Evidence::OneSide,
            "no-vertical" => Evidence::NoVertical,
            "averages" => Evidence::Averages,
            "thirds" => Evidence::Thirds,
            _ => {
                return Err(Error::call(
                    "use full, one-side, no-vertical, averages or thirds",
                ));
            }
        })
    }
}

impl FromStr for Physics {
    type Err = Error;

    fn from_str(name: &str) -> Result<Physics> {
        Ok(match name {
            "sphere" => Physics::Sphere,
            "field" => Physics::Field,
            "sketch" => Physics::Sketch,
            "market" => Physics::Market,
            _ => return Err(Error::call("use sphere, field, sketch or market")),
        })
    }
}

/// A measurement whose density, noise and phase follow from the seed: 12 to 48 points per
/// octave, 0 to 0.5 dB.
pub fn measurement(seed: u64, evidence: Evidence) -> Measurement {
    // Two fractions of the seed that run through all combinations (golden ratio and its square).
    let part = |factor: f64| (seed as f64 * factor).fract();
    Measurement {
        points_per_octave: [12.0, 16.0, 24.0, 36.0, 48.0][(seed % 5) as usize],
        noise_db: 0.5 * part(0.618_033_988_749_895),
        seed: seed ^ 0x5eed,
        phase: part(0.381_966_011_250_105) < 0.5,
        horizontal: if evidence == Evidence::OneSide {
            Sides::Positive
        } else {
            Sides::Both
        },
        vertical: if evidence == Evidence::NoVertical {
            Sides::Missing
        } else {
            Sides::Both
        },
        ..Measurement::default()
    }
}

/// A speaker as measured in one or more ways, and what is true of it.
#[derive(Debug, Clone)]
pub struct Measured<const WAYS: usize> {
    /// One response for each way of measuring.
    pub responses: [Response; WAYS],
    /// The truth, on the grid that was asked for.
    pub known: Known,
}

/// Draws the speaker of this seed and measures it; its defects are known on `grid`.
///
/// # Errors
/// See [`Measurement::grid`].
pub fn draw<const WAYS: usize>(
    physics: Physics,
    seed: u64,
    ways: [Measurement; WAYS],
    grid: &Grid,
) -> Result<Measured<WAYS>> {
    fn of<const WAYS: usize>(
        speaker: &impl Simulated,
        ways: [Measurement; WAYS],
        grid: &Grid,
    ) -> Result<Measured<WAYS>> {
        Ok(Measured {
            responses: all(ways.map(|way| speaker.measure(&way)))?,
            known: Known::of(speaker, grid)?,
        })
    }
    match physics {
        Physics::Sphere => of(&Speaker::draw(seed), ways, grid),
        Physics::Field => of(&FieldSpeaker::draw(seed), ways, grid),
        Physics::Sketch => of(&SketchSpeaker::draw(seed), ways, grid),
        Physics::Market => {
            let speaker = MarketSpeaker::draw(seed);
            Ok(Measured {
                responses: all(ways.map(|way| measured_by_habit(&speaker, &way)))?,
                known: Known::of(&speaker, grid)?,
            })
        }
    }
}

/// The directions of `way`, measured with habits that follow from its seed; its density, range and
/// noise do not count, as habits have their own.
fn measured_by_habit(speaker: &MarketSpeaker, way: &Measurement) -> Result<Response> {
    let full = speaker.measure_with(&Habits::draw(way.seed))?;
    let wanted = way.directions();
    let members = full
        .members()
        .iter()
        .filter(|m| wanted.contains(&m.direction));
    Response::new(full.grid().clone(), members.cloned().collect())
        .ok_or_else(|| Error::call("no angle is left"))
}

/// Reads a speaker folder that states its defects in `truth.csv` ([`Known::read`]), and keeps of
/// its angles what each way of measuring has.
///
/// # Errors
/// When the folder or its truth cannot be read, or when no angle is left.
pub fn read<const WAYS: usize>(
    folder: &Path,
    ways: [Evidence; WAYS],
    grid: &Grid,
) -> Result<Measured<WAYS>> {
    let Read::Angles(response) = read_speaker(folder)?.measured else {
        return Err(Error::call("the folder holds no angles"));
    };
    let kept = |evidence: Evidence| {
        let members = response.members().iter().filter(|m| match evidence {
            Evidence::Full | Evidence::Averages | Evidence::Thirds => true,
            Evidence::OneSide => {
                m.direction.orbit() == Orbit::Vertical || m.direction.angle_deg() >= 0.0
            }
            Evidence::NoVertical => m.direction.orbit() == Orbit::Horizontal,
        });
        Response::new(response.grid().clone(), members.cloned().collect())
            .ok_or_else(|| Error::call("no angle is left"))
    };
    Ok(Measured {
        responses: all(ways.map(kept))?,
        known: Known::read(folder, grid)?,
    })
}

/// Third octaves of each angle, joined by lines at the frequencies of before; phase is lost.
///
/// # Errors
/// When the response spans less than two third octaves.
pub(super) fn in_thirds(response: &Response) -> Result<Response> {
    let grid = response.grid();
    let (first, last) = (grid.first_hz().log2(), grid.last_hz().log2());
    let bands = ((3.0 * first).ceil() as i32..=(3.0 * last).floor() as i32)
        .map(|k| (f64::from(k) / 3.0).exp2());
    let bands = Grid::new(bands.collect())
        .ok_or_else(|| Error::call("the response spans less than two third octaves"))?;
    let half = (1.0f64 / 6.0).exp2();
    let members = response.members().iter().map(|member| {
        let power = |f_hz: &f64| {
            // The nearest frequency where the data are coarser than the band.
            let inside = grid.range(f_hz / half, f_hz * half);
            let at = if inside.is_empty() {
                grid.nearest(*f_hz)..grid.nearest(*f_hz) + 1
            } else {
                inside
            };
            let count = at.len() as f64;
            member.levels_db[at]
                .iter()
                .map(|l| db_to_power(*l))
                .sum::<f64>()
                / count
        };
        let means_db = bands
            .freqs_hz()
            .iter()
            .map(|f| power_to_db(power(f)))
            .collect();
        let means = Curve::new(bands.clone(), means_db);
        Member {
            levels_db: grid.freqs_hz().iter().map(|f| means.at_db(*f)).collect(),
            phase_deg: None,
            ..member.clone()
        }
    });
    Response::new(grid.clone(), members.collect())
        .ok_or_else(|| Error::call("levels are beyond bounds"))
}

/// All of them, or the first error.
fn all<const WAYS: usize>(results: [Result<Response>; WAYS]) -> Result<[Response; WAYS]> {
    let responses: Vec<Response> = results.into_iter().collect::<Result<_>>()?;
    Ok(responses
        .try_into()
        .unwrap_or_else(|_| unreachable!("as many as there were results")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn third_octaves_keep_the_level_and_lose_a_narrow_dip() {
        let grid = Grid::logarithmic(100.0, 10_000.0, 24.0);
        let levels_db: Vec<f64> = (grid.freqs_hz().iter())
            .map(|f| {
                if (f / 1000.0).log2().abs() < 0.03 {
                    60.0
                } else {
                    80.0
                }
            })
            .collect();
        let member = Member {
            direction: crate::response::Direction::new(Orbit::Horizontal, 0.0),
            levels_db,
            phase_deg: None,
            mirrored: false,
        };
        let response = Response::new(grid.clone(), vec![member]).unwrap();
        let thirds = in_thirds(&response).unwrap();
        let levels_db = &thirds.members()[0].levels_db;
        let at = |f_hz: f64| levels_db[grid.nearest(f_hz)];
        assert!((at(300.0) - 80.0).abs() < 1e-9);
        // By hand: of eight points a band one or two are 20 dB down, which takes 0.6 to 1.2 dB.
        assert!((78.5..79.6).contains(&at(1000.0)), "{}", at(1000.0));
    }

    #[test]
    fn a_market_speaker_keeps_the_angles_of_each_evidence() {
        let grid = Grid::logarithmic(100.0, 10_000.0, 6.0);
        let ways = [Evidence::Full, Evidence::OneSide, Evidence::NoVertical];
        let measurements = ways.map(|evidence| measurement(3, evidence));
        let measured = draw("market".parse().unwrap(), 3, measurements, &grid).unwrap();
        let [full, side, flat] = &measured.responses;
        // 36 angles an orbit; 0 to 180 degrees are 19.
        assert_eq!(full.members().len(), 72);
        assert_eq!(side.members().len(), 19 + 36);
        assert_eq!(flat.members().len(), 36);
        assert!(!flat.has_orbit(Orbit::Vertical));
        assert!(measured.known.is_on(&grid));
        let shared_db = measured.known.shared_unevenness_db.unwrap();
        assert!(shared_db.iter().any(|v| v.abs() > 0.05));
    }
}
