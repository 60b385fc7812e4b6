//! Directions of an orbit between measured ones, where it was measured in steps of more than 10
//! but at most 15 degrees: the averages need steps of 10.

use super::repeats::apart_db;
use crate::response::{
    Direction, GAP_AT_MOST_DEG, Member, Orbit, Response, told_by_neighbours as told,
};

/// Directions of one orbit. Source: ANSI/CTA-2034-A (10-degree resolution).
const STEP_DEG: i32 = 10;

/// The steps of 10 degrees that are missing in `response` and lie between measured neighbours
/// near enough, and how well it works: measured directions told by their neighbours alone, which
/// lie twice as far apart, dB rms. `None` where there are none.
pub(super) fn on_orbits(response: &Response) -> Option<(Vec<Member>, f64)> {
    let mut members = Vec::new();
    let mut squares = Vec::new();
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        let own: Vec<&Member> = response
            .members()
            .iter()
            .filter(|member| member.direction.orbit() == orbit)
            .collect();
        let before = members.len();
        for i in -180 / STEP_DEG + 1..=180 / STEP_DEG {
            let angle_deg = f64::from(i * STEP_DEG);
            if response.at(orbit, angle_deg).is_none()
                && let Some(levels_db) = told(&own, angle_deg, GAP_AT_MOST_DEG)
            {
                members.push(Member {
                    direction: Direction::new(orbit, angle_deg),
                    levels_db,
                    phase_deg: None,
                    mirrored: false,
                });
            }
        }
        if members.len() > before {
            for (i, member) in own.iter().enumerate() {
                let mut others = own.clone();
                others.remove(i);
                let angle_deg = member.direction.angle_deg();
                if let Some(levels_db) = told(&others, angle_deg, 2.0 * GAP_AT_MOST_DEG) {
                    let apart_db = apart_db(&levels_db, &member.levels_db);
                    squares.push(apart_db * apart_db);
                }
            }
        }
    }
    let mean_square = squares.iter().sum::<f64>() / squares.len().max(1) as f64;
    (!members.is_empty()).then(|| (members, mean_square.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;

    /// A cardioid's level: 0.5 + 0.5 cos.
    fn level_db(angle_deg: f64) -> f64 {
        20.0 * (0.55 + 0.45 * angle_deg.to_radians().cos()).log10()
    }

    fn measured(step: i32) -> Response {
        let members = (-180 / step + 1..=180 / step)
            .map(|i| {
                let angle_deg = f64::from(i * step);
                Member {
                    direction: Direction::new(Orbit::Horizontal, angle_deg),
                    levels_db: vec![level_db(angle_deg); 2],
                    phase_deg: None,
                    mirrored: false,
                }
            })
            .collect();
        Response::new(Grid::new(vec![100.0, 200.0]).unwrap(), members).unwrap()
    }

    #[test]
    fn steps_of_fifteen_give_those_of_ten() {
        let (members, error_db) = on_orbits(&measured(15)).unwrap();
        assert_eq!(members.len(), 24);
        for member in &members {
            let angle_deg = member.direction.angle_deg();
            // The fourth-order term of the cosine over 15 degrees: (0.26 / 2)^4 / 4 of the
            // power, twice that beside the back, where the power is a hundredth.
            assert!(
                (member.levels_db[0] - level_db(angle_deg)).abs() < 0.05,
                "{angle_deg}"
            );
        }
        assert!(error_db > 0.0 && error_db < 0.5, "{error_db}");
    }

    #[test]
    fn finer_and_coarser_steps_are_left_alone() {
        assert!(on_orbits(&measured(10)).is_none());
        assert!(on_orbits(&measured(5)).is_none());
        assert!(on_orbits(&measured(30)).is_none());
    }
}
