//! Ground, decision, and which findings are one.

use super::assert_all;
use super::drawn::plans;
use super::findings;
use super::written::{Finding, Planned};

/// Values of the document are compared as they stand there.
const EXACT: f64 = 1e-9;

/// Two curves differ from here on, dB (DESIGN, section 9, `beams` and `axis`).
const DIFFER_DB: f64 = 0.7;

/// DESIGN, section 9, `moves`.
const MOVES_SHARE: f64 = 0.03;

#[test]
fn the_ground_holds_of_the_findings_own_numbers() {
    assert_all(|plan, f| {
        let holds = match f.ground.as_str() {
            "shared" => is_shared(f),
            "differs" => differs(f),
            "moves" => f.moves_hz.unwrap().abs() >= MOVES_SHARE * f.peak_hz - EXACT,
            "beams" => apart_db(f.window_db, f.room_db) >= DIFFER_DB - EXACT,
            "axis" => apart_db(f.window_db, f.axis_db) >= DIFFER_DB - EXACT,
            // The limit stands in the sentence.
            "narrow" => f.size_db < 0.0 && f.q.unwrap() > limit_q(f),
            // Below and above what is judged.
            "edge" => {
                let (from_hz, to_hz) = plan.judged_hz();
                f.cause == "band-edge" && (f.peak_hz < from_hz || f.peak_hz > to_hz)
            }
            // No single number decides: then none of those that could does.
            "together" => match (f.cause.as_str(), f.decision.as_str()) {
                ("directivity", _) => apart_db(f.window_db, f.room_db) < DIFFER_DB,
                ("single-axis", _) => apart_db(f.window_db, f.axis_db) < DIFFER_DB,
                ("cancellation", _) | (_, "leave") => !differs(f),
                _ => !is_shared(f),
            },
            other => return Some(format!("{other} is no ground of a speaker by itself")),
        };
        let moves = (f.ground == "moves") == f.moves_hz.is_some();
        (!holds || !moves).then(|| format!("its ground {} does not hold", f.ground))
    });
}

fn is_shared(f: &Finding) -> bool {
    let one_sign = f.window_db.zip(f.room_db).is_some_and(|(w, r)| w * r > 0.0);
    one_sign
        && f.spread_db
            .is_some_and(|spread_db| spread_db <= f.size_db.abs() / 2.0 + EXACT)
}

fn differs(f: &Finding) -> bool {
    f.spread_db
        .is_some_and(|spread_db| spread_db >= f.size_db.abs() / 3.0 - EXACT)
}

fn apart_db(a_db: Option<f64>, b_db: Option<f64>) -> f64 {
    a_db.zip(b_db).map_or(0.0, |(a, b)| (a - b).abs())
}

fn limit_q(f: &Finding) -> f64 {
    let limit = &super::said::after(&f.reason, "worth filling (Q ")[0];
    limit.value - limit.rounding
}

#[test]
fn a_bump_is_never_called_a_cancellation() {
    assert_all(|_, f| {
        (f.cause == "cancellation" && f.size_db >= 0.0).then(|| "a bump that cancels".to_string())
    });
}

/// What filters that undo this share of a finding do about it (DESIGN, section 9): 0 leave it, 1 soften
/// it, 2 correct it.
fn step_of(undone: f64) -> usize {
    match undone {
        undone if undone >= 0.6 => 2,
        undone if undone >= 0.15 => 1,
        _ => 0,
    }
}

fn step(f: &Finding) -> usize {
    match f.decision.as_str() {
        "correct" => 2,
        "soften" => 1,
        "leave" | "unspent" => 0,
        other => panic!("{other} is no decision"),
    }
}

#[test]
fn the_decision_is_what_is_undone() {
    assert_all(|_, f| {
        (step(f) != step_of(f.undone)).then(|| "another decision than its share".to_string())
    });
}

/// Shares of smaller ones are not compared, dB: noise of the measurement is up to 0.5 dB. Our own judgement.
const COMPARED_FROM_DB: f64 = 0.6;

fn is_compared(f: &Finding) -> bool {
    f.is_about_curves() && f.size_db.abs() >= COMPARED_FROM_DB
}

/// Whether most of what the window has at the peak is this finding. Where it is not, what the filters
/// do about the window there is what they do about something else.
fn is_most_of_the_window(f: &Finding) -> bool {
    f.window_db.is_some_and(|window_db| {
        let share = f.size_db / window_db;
        0.5 < share && share < 2.0
    })
}

/// What the filters do at the peak, as a share of its size.
fn undone_at_peak(plan: &Planned, f: &Finding) -> f64 {
    -plan.eq_db(f.peak_hz) / f.size_db
}

/// Minus the coefficient of the regression through the origin of what the filters do on the measured
/// window, over the band, evenly in log frequency.
fn undone_in_band(plan: &Planned, f: &Finding) -> f64 {
    const PLACES: i32 = 60;
    let (mut products, mut squares) = (0.0, 0.0);
    for place in 0..=PLACES {
        let f_hz = f.from_hz * (f.to_hz / f.from_hz).powf(f64::from(place) / f64::from(PLACES));
        let window_db = plan.window_db(f_hz);
        products += window_db * plan.eq_db(f_hz);
        squares += window_db * window_db;
    }
    -products / squares
}

/// How many findings are decided 0, 1 and 2 steps off what `undone` says.
fn steps_off(
    is_counted: impl Fn(&Finding) -> bool,
    undone: impl Fn(&Planned, &Finding) -> f64,
) -> [usize; 3] {
    let mut counts = [0; 3];
    for (plan, f) in findings().filter(|(_, f)| is_compared(f) && is_counted(f)) {
        counts[step(f).abs_diff(step_of(undone(plan, f)))] += 1;
    }
    counts
}

/// Findings of a hundred that may be decided two steps off: what the program states is the share of the
/// finding's own shape over its band, and at its peak the filters may answer to something else (a broad
/// excess that is highest beside a dip which is filled). Of 200 speakers 1 of 1258 at the peak and 2
/// of 990 in the band.
const TWO_STEPS_OFF_PERCENT: usize = 1;

/// Of a hundred at least so many are decided as is computed here; the rest lies one step off, most often
/// because the window holds more than the finding. Of 200 speakers 95 at the peak and 86 in the band.
const ALIKE_PERCENT: usize = 80;

#[test]
fn the_decision_agrees_with_the_filters_at_the_peak_and_in_the_band() {
    let peak = steps_off(|_| true, undone_at_peak);
    let band = steps_off(is_most_of_the_window, undone_in_band);
    println!("decisions 0, 1, 2 steps off: at the peak {peak:?}, in the band {band:?}");
    for counts in [peak, band] {
        let all: usize = counts.iter().sum();
        assert!(all > plans().len(), "{counts:?}");
        assert!(100 * counts[2] <= TWO_STEPS_OFF_PERCENT * all, "{counts:?}");
        assert!(100 * counts[0] >= ALIKE_PERCENT * all, "{counts:?}");
    }
}

/// What the filters do at a peak by the way is no statement about it below, dB: half of the just
/// noticeable difference of level (1 dB, handbook figure, from memory).
const BY_THE_WAY_DB: f64 = 0.5;

/// Whatever its size: the share stated is that of a band, and must not be had where the peak gets worse.
/// Of what is minor 1 of 972 in 200 speakers is (a broad excess of 0.8 dB beside a dip that is filled).
#[test]
fn what_is_said_to_be_undone_is_not_made_larger_by_the_filters() {
    assert_all(|plan, f| {
        let eq_db = plan.eq_db(f.peak_hz);
        let is_enlarged = eq_db * f.size_db > 0.0 && eq_db.abs() > BY_THE_WAY_DB;
        let is_said = f.is_about_curves() && !f.minor && step(f) > 0;
        (is_said && is_enlarged).then(|| format!("the filters make it larger by {eq_db:.2} dB"))
    });
}

#[test]
fn what_is_not_worth_a_stage_is_wanted() {
    assert_all(|plan, f| {
        let wanted = -plan.wish_db(f.peak_hz) / f.size_db;
        let is_wanted = step_of(wanted) == 2;
        (f.decision == "unspent" && !is_wanted).then(|| format!("{wanted:.2} of it is wanted"))
    });
}

/// Two peaks this near to each other are one place, octaves (DESIGN, section 9).
const ONE_PLACE_OCT: f64 = 1.0 / 12.0;

/// A finding stands beside another one up to here beyond its band, octaves: half of a third-octave band. Our
/// own judgement.
const BESIDE_OCT: f64 = 1.0 / 6.0;

/// What stands out, dB: in the room or on the axis against the window, where it is of that curve alone.
fn stands_out_db(f: &Finding) -> f64 {
    match f.cause.as_str() {
        "directivity" => apart_db(f.window_db, f.room_db),
        "single-axis" => apart_db(f.window_db, f.axis_db),
        _ => f.size_db.abs(),
    }
}

#[test]
fn two_findings_at_one_place_decide_one_thing_and_the_smaller_names_the_larger() {
    let mut said = Vec::new();
    let (mut pairs, mut unlike) = (0, 0);
    for plan in plans() {
        let all = &plan.json.findings;
        for (place, a) in all.iter().enumerate() {
            for b in &all[..place] {
                if (a.peak_hz / b.peak_hz).log2().abs() > ONE_PLACE_OCT {
                    continue;
                }
                pairs += 1;
                // One corrected and the other softened is no contradiction.
                unlike += usize::from(a.decision != b.decision);
                let is_left = |f: &Finding| f.decision == "leave";
                let names = a.inside == Some(b.peak_hz) || b.inside == Some(a.peak_hz);
                if is_left(a) != is_left(b) || !names {
                    said.push(format!("{}: names {names}\n{a:?}\n{b:?}\n", plan.name));
                }
            }
        }
    }
    println!("{pairs} pairs at one place, of which {unlike} are corrected to different degrees");
    assert!(
        said.is_empty(),
        "{} of {pairs} pairs:\n{}",
        said.len(),
        said.concat()
    );
}

#[test]
fn what_a_finding_stands_in_is_a_larger_finding_near_it() {
    assert_all(|plan, f| {
        let inside_hz = f.inside?;
        let is_named = |other: &&Finding| other.peak_hz == inside_hz && !std::ptr::eq(*other, f);
        let reach = BESIDE_OCT.exp2() + EXACT;
        let is_near =
            |other: &Finding| (other.from_hz / reach..=other.to_hz * reach).contains(&f.peak_hz);
        match plan
            .json
            .findings
            .iter()
            .filter(is_named)
            .find(|other| is_near(other))
        {
            None => Some("it stands in nothing".to_string()),
            Some(other) if stands_out_db(other) < stands_out_db(f) => {
                Some(format!("it stands in something smaller: {other:?}"))
            }
            Some(_) => None,
        }
    });
}

/// Below this in window and room a finding is minor, dB (DESIGN, section 9).
const MINOR_BELOW_DB: f64 = 1.0;

#[test]
fn what_is_minor_is_small_in_window_and_room() {
    assert_all(|_, f| {
        let is_small = |db: Option<f64>| db.is_none_or(|db| db.abs() < MINOR_BELOW_DB);
        let is_minor = is_small(f.window_db) && is_small(f.room_db);
        (f.minor != is_minor).then(|| format!("minor is {is_minor}"))
    });
}

#[test]
fn band_peak_and_probability_are_in_order() {
    assert_all(|_, f| {
        let is_in_order = 0.0 < f.from_hz
            && f.from_hz <= f.peak_hz
            && f.peak_hz <= f.to_hz
            && (0.0..=1.0).contains(&f.sure)
            && f.q.is_none_or(|q| q > 0.0)
            && f.spread_db.is_none_or(|spread_db| spread_db >= 0.0)
            // What is sure needs no further measurement, and what is not has one named.
            && (f.sure >= SURE_FROM) == f.settle.is_none();
        (!is_in_order).then(|| "out of order".to_string())
    });
}

/// README, "sure".
const SURE_FROM: f64 = 0.9;

/// DESIGN, section 9.
const TO_READ_AT_MOST: usize = 6;

#[test]
fn a_reader_of_a_usual_speaker_has_six_findings_to_read_at_most() {
    let count = |plan: &Planned| plan.json.findings.iter().filter(|f| !f.minor).count();
    let mut counts: Vec<usize> = plans().iter().map(count).collect();
    counts.sort_unstable();
    let (median, last) = (counts[counts.len() / 2], counts.len() - 1);
    println!(
        "findings to read: median {median}, 9 of 10 {}, most {}",
        counts[last * 9 / 10],
        counts[last]
    );
    assert!(median <= TO_READ_AT_MOST, "{counts:?}");
    // Nothing to read would be few enough, and no proof.
    assert!(median > 0, "{counts:?}");
}
