//! What was measured, what the filters do there, and the figures of the whole plan.

use super::assert_all;
use super::drawn::plans;

/// Levels over their target, dB (DESIGN, section 9).
const MEASURED_DB: f64 = 0.1;

/// What the filters do, dB: half of that, as it is computed and not measured.
const EQ_DB: f64 = 0.05;

#[test]
fn what_window_axis_and_room_are_said_to_have_stands_in_the_curves() {
    assert_all(|plan, f| {
        assert_eq!(plan.json.target, "flat");
        let compared = [
            ("window", f.window_db, plan.window_db(f.peak_hz)),
            ("axis", f.axis_db, plan.axis_db(f.peak_hz)),
            ("room", f.room_db, plan.room_db(f.peak_hz)),
        ];
        let wrong = |(curve, said, is): (&str, Option<f64>, f64)| match said {
            None if plan.covers(f.peak_hz) => Some(format!("no {curve}, which has {is:.3} dB")),
            Some(said) if (said - is).abs() > MEASURED_DB => {
                Some(format!("{curve} has {is:.3} dB"))
            }
            _ => None,
        };
        compared.into_iter().find_map(wrong)
    });
}

#[test]
fn what_the_filters_are_said_to_do_follows_from_their_coefficients() {
    assert_all(|plan, f| {
        let is_db = plan.eq_db(f.peak_hz);
        ((f.eq_db - is_db).abs() > EQ_DB).then(|| format!("the filters do {is_db:.3} dB"))
    });
    for plan in plans() {
        let off_db = plan.json.eq_level_db - plan.filters_level_db;
        assert!(
            off_db.abs() <= EQ_DB,
            "{}: their level is off by {off_db} dB",
            plan.name
        );
    }
}

/// How far rms deviations in dB, and shares of their squares, may lie from what is computed here: straight
/// lines are read between measured points here and curves there, and many of them there averaged to
/// 48 an octave. Of 200 speakers the most is 0.028 dB and 0.014 from 23 points per octave on, and
/// 0.086 dB and 0.029 with fewer, where the noise of a point reaches as far as a filter.
#[derive(Clone, Copy)]
struct Within {
    deviation_db: f64,
    share: f64,
}

const FINE: Within = Within {
    deviation_db: 0.04,
    share: 0.02,
};

const COARSE: Within = Within {
    deviation_db: 0.12,
    share: 0.04,
};

const FINE_FROM_PER_OCTAVE: f64 = 23.0;

#[test]
fn what_can_be_mended_and_what_is_mended_follow_from_the_curves() {
    let mut wrong = Vec::new();
    for plan in plans() {
        let json = &plan.json;
        let (before, after) = (plan.energy_db2(|_| 0.0), plan.energy_db2(|f| plan.eq_db(f)));
        let least = plan.energy_db2(|f| plan.wish_db(f)).min(after).min(before);
        let share = |left: f64| (1.0 - left / before).max(0.0);
        let within = match plan.points_per_octave() >= FINE_FROM_PER_OCTAVE {
            true => FINE,
            false => COARSE,
        };
        for (name, said, is, within) in [
            (
                "deviation before",
                json.deviation_before_db,
                before.sqrt(),
                within.deviation_db,
            ),
            (
                "deviation after",
                json.deviation_after_db,
                after.sqrt(),
                within.deviation_db,
            ),
            ("yield", json.r#yield.unwrap(), share(after), within.share),
            ("reach", json.reach.unwrap(), share(least), within.share),
        ] {
            if (said - is).abs() > within {
                wrong.push(format!("{}: {name} {said} is {is}\n", plan.name));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.concat());
}

#[test]
fn the_figures_of_a_plan_agree_with_each_other() {
    for plan in plans() {
        let json = &plan.json;
        let (share, reach) = (json.r#yield.unwrap(), json.reach.unwrap());
        assert!(
            0.0 <= share && share <= reach && reach <= 1.0,
            "{}: {share} {reach}",
            plan.name
        );
        let (from, to) = (json.reach_from.unwrap(), json.reach_to.unwrap());
        assert!(
            0.0 <= from && from <= reach && reach <= to && to <= 1.0,
            "{}",
            plan.name
        );
        // A share of the energy is taken away: the rms falls from 1 to the root of the rest.
        let mendable_db = json.deviation_before_db * (1.0 - (1.0 - reach).sqrt());
        assert!(
            (json.mendable_db - mendable_db).abs() < 1e-9,
            "{}: {mendable_db}",
            plan.name
        );
        assert!(
            json.deviation_after_db <= json.deviation_before_db,
            "{}",
            plan.name
        );
    }
}
