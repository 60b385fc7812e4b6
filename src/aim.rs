//! A speaker heard from the side of its own axis: the measurement as it would stand had the
//! turntable been zeroed at the listener.
//!
//! The horizontal orbit is shifted; what falls between measured angles is told by the neighbours
//! on either side. The vertical orbit was measured over the speaker's own axis only, so the one
//! over the listener's is an approximation, see [`Aimed`]. Sound power is the same wherever one
//! sits and stays as measured.

mod holding;

pub use holding::{BEAM_EDGE_DB, Beam, HOLDS_WITHIN_DB, Hold, VerticalHold, beams, vertical_hold};

use crate::average::{AveragedCurves, RearWall, listening_window_directions};
use crate::error::{Error, Result};
use crate::response::{
    Direction, GAP_AT_MOST_DEG, Member, Orbit, Response, SAME_ANGLE_DEG, told_by_neighbours,
};

/// Farthest aim, degrees to either side: beyond, the listener sits behind the baffle.
pub const AIM_AT_MOST_DEG: f64 = 90.0;

/// Directions of an orbit. Source: ANSI/CTA-2034-A (10-degree resolution).
const STEP_DEG: i32 = 10;

/// A measurement seen from an axis to the side of the speaker's own.
///
/// **Approximation.** At the vertical angle v the change from the speaker's own axis to this one
/// is taken for `|cos v|` times what it is in the horizontal plane (in front that of the axis,
/// behind that of the back). This is exact at 0, +-90 and 180 degrees, and everywhere for a
/// source whose level in dB falls in a straight line with the cosine of the angle from its axis;
/// it knows nothing of lobes that stand askew. On twelve simulated speakers turned by 30 degrees
/// (tuning seeds 0 to 11) it put the listening window 0.12 dB rms off on the mean (0.31 at most),
/// the early reflections 0.28 (0.64), the in-room curve 0.18 (0.42).
#[derive(Debug, Clone, PartialEq)]
pub struct Aimed {
    /// The new axis, degrees to the positive horizontal side of the speaker's own.
    pub aim_deg: f64,
    /// All angles, counted from the new axis.
    pub response: Response,
    /// Their averaged curves; the sound power is that of the measurement.
    pub curves: AveragedCurves,
    /// True where the new horizontal angles lie between measured ones.
    pub between: bool,
    /// Horizontal angles of the new listening window that were not measured, degrees.
    pub missing_deg: Vec<f64>,
}

impl Aimed {
    /// `response` seen from `aim_deg` degrees to the positive horizontal side; between
    /// -[`AIM_AT_MOST_DEG`] and [`AIM_AT_MOST_DEG`].
    ///
    /// # Errors
    /// When the aim is out of range, or the new axis was neither measured nor lies between
    /// measured angles at most 15 degrees apart.
    pub fn new(response: &Response, rear_wall: RearWall, aim_deg: f64) -> Result<Aimed> {
        if !(-AIM_AT_MOST_DEG..=AIM_AT_MOST_DEG).contains(&aim_deg) {
            return Err(Error::range(
                "aim",
                format!("{aim_deg} degrees"),
                format!("between {} and {AIM_AT_MOST_DEG} degrees", -AIM_AT_MOST_DEG),
            ));
        }
        let round = Round::new(response);
        let axis = round
            .at(aim_deg)
            .ok_or_else(|| no_axis(response, aim_deg))?;
        let change_db = |to: &[f64], from_deg: f64| -> Option<Vec<f64>> {
            let from = response.at(Orbit::Vertical, from_deg)?;
            Some(to.iter().zip(&from.levels_db).map(|(t, f)| t - f).collect())
        };
        let front_db = change_db(&axis.levels_db, 0.0);
        let behind_db = round
            .at(aim_deg + 180.0)
            .and_then(|back| change_db(&back.levels_db, 180.0));
        let mut between = false;
        let mut members: Vec<Member> = Vec::new();
        for i in -180 / STEP_DEG + 1..=180 / STEP_DEG {
            let angle_deg = f64::from(i * STEP_DEG);
            if let Some(heard) = round.at(angle_deg + aim_deg) {
                between |= heard.between;
                members.push(Member {
                    direction: Direction::new(Orbit::Horizontal, angle_deg),
                    levels_db: heard.levels_db,
                    phase_deg: heard.phase_deg,
                    mirrored: heard.mirrored,
                });
            }
        }
        members.extend(
            response
                .members()
                .iter()
                .filter(|m| m.direction.orbit() == Orbit::Vertical && !on_both_orbits(m.direction))
                .map(|m| lifted(m, front_db.as_deref(), behind_db.as_deref())),
        );
        let missing_deg = listening_window_directions()
            .iter()
            .filter(|(orbit, angle_deg)| {
                *orbit == Orbit::Horizontal
                    && !members
                        .iter()
                        .any(|m| m.direction == Direction::new(Orbit::Horizontal, *angle_deg))
            })
            .map(|(_, angle_deg)| *angle_deg)
            .collect();
        let power = AveragedCurves::from_response(response, rear_wall).sound_power;
        let response = Response::new(response.grid().clone(), members)
            .ok_or_else(|| Error::call("the aimed measurement holds no direction"))?;
        Ok(Aimed {
            aim_deg,
            curves: AveragedCurves::from_response(&response, rear_wall).with_sound_power(power),
            response,
            between,
            missing_deg,
        })
    }
}

fn on_both_orbits(direction: Direction) -> bool {
    let off_deg = direction.off_axis_deg();
    !(SAME_ANGLE_DEG..=180.0 - SAME_ANGLE_DEG).contains(&off_deg)
}

/// A vertical member over the new axis, see [`Aimed`]. Its phase is not known there.
fn lifted(member: &Member, front_db: Option<&[f64]>, behind_db: Option<&[f64]>) -> Member {
    let cos = member.direction.angle_deg().to_radians().cos();
    let change_db = if cos >= 0.0 { front_db } else { behind_db };
    let levels_db = match change_db {
        Some(change_db) => member
            .levels_db
            .iter()
            .zip(change_db)
            .map(|(level, change)| level + cos.abs() * change)
            .collect(),
        None => member.levels_db.clone(),
    };
    Member {
        levels_db,
        phase_deg: None,
        ..member.clone()
    }
}

/// The horizontal orbit.
struct Round<'a> {
    response: &'a Response,
    own: Vec<&'a Member>,
}

/// What is heard in one of its directions.
struct Heard {
    levels_db: Vec<f64>,
    phase_deg: Option<Vec<f64>>,
    mirrored: bool,
    between: bool,
}

impl<'a> Round<'a> {
    fn new(response: &'a Response) -> Round<'a> {
        // The axis and its back may stand on the vertical orbit only.
        let own = response
            .members()
            .iter()
            .filter(|m| {
                m.direction.orbit() == Orbit::Horizontal
                    || (on_both_orbits(m.direction)
                        && response
                            .at(Orbit::Horizontal, m.direction.angle_deg())
                            .is_some_and(|at| at.direction == m.direction))
            })
            .collect();
        Round { response, own }
    }

    fn at(&self, angle_deg: f64) -> Option<Heard> {
        if let Some(member) = self.response.at(Orbit::Horizontal, angle_deg) {
            return Some(Heard {
                levels_db: member.levels_db.clone(),
                phase_deg: member.phase_deg.clone(),
                mirrored: member.mirrored,
                between: false,
            });
        }
        let nearest = self.own.iter().min_by(|a, b| {
            let away =
                |m: &Member| crate::units::wrap_deg(m.direction.angle_deg() - angle_deg).abs();
            away(a).total_cmp(&away(b))
        })?;
        Some(Heard {
            levels_db: told_by_neighbours(&self.own, angle_deg, GAP_AT_MOST_DEG)?,
            phase_deg: None,
            mirrored: nearest.mirrored,
            between: true,
        })
    }
}

fn no_axis(response: &Response, aim_deg: f64) -> Error {
    let measured: Vec<f64> = response
        .members()
        .iter()
        .filter(|m| m.direction.orbit() == Orbit::Horizontal)
        .map(|m| m.direction.angle_deg())
        .collect();
    let found = match (measured.first(), measured.last()) {
        (Some(first), Some(last)) if measured.len() > 1 => {
            format!("the horizontal angles measured reach from {first} to {last} degrees")
        }
        _ => "no horizontal angles were measured".to_string(),
    };
    Error::call(format!(
        "the measurement does not show what is heard {aim_deg} degrees to the side: {found}"
    ))
    .with_hint(
        "an aim must be a measured horizontal angle or lie between two at most 15 degrees apart",
    )
}
