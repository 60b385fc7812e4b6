//! Where nothing may be boosted, and what must not be filled.

use super::made::{Made, Orbit, Planned, beaming_db, bell_db, per_octave};

/// A wish at or below 0 dB but for rounding in the last place.
const NOTHING_DB: f64 = 1e-9;

/// Stages cannot end as sharply as the wanted EQ does, so where that is 0 dB they may reach this.
const SKIRT_DB: f64 = 0.5;

/// A boost that fills something, against none: half of the dips below.
const FILLED_DB: f64 = 2.0;

/// Butterworth highpass of fourth order, level in dB: `-10 lg(1 + (fc/f)^8)`.
fn fourth_order_db(f_hz: f64, corner_hz: f64) -> f64 {
    -10.0 * (1.0 + (corner_hz / f_hz).powi(8)).log10()
}

#[test]
fn nothing_is_judged_above_the_highest_trusted_frequency() {
    let bumps = |f_hz: f64| bell_db(f_hz, 1000.0, 5.0, 2.0) + bell_db(f_hz, 9000.0, 5.0, 2.0);
    let whole = Made::alike(bumps, "").plan(&[]);
    let trusted = "[measured]\ntrusted_to_hz = 5000\n";
    let part = Made::alike(bumps, trusted).plan(&[]);
    assert!(whole.number("judged_to_hz") > 15_000.0);
    assert!(part.number("judged_to_hz") <= 5000.0);
    assert_eq!(part.number("trusted_to_hz"), 5000.0);
    for key in ["wish_db", "filters_db"] {
        assert!(whole.at(key, 9000.0) < -3.0 && part.at(key, 1000.0) < -3.0);
        // An octave above the limit a cut at 1 kHz is over.
        let there_db = part.at(key, 9000.0);
        assert!(there_db.abs() < 1.0, "{key}: {there_db}");
    }
}

#[test]
fn a_dip_beside_the_roll_off_is_not_filled_at_the_corner_nor_beyond() {
    let level = |f_hz: f64| {
        fourth_order_db(f_hz, 60.0)
            + bell_db(f_hz, 160.0, -5.0, 0.7)
            + bell_db(f_hz, 900.0, 3.0, 2.0)
    };
    let planned = Made::alike(level, "").plan(&[]);
    let corner_hz = planned.number("corner_hz");
    let top_db = planned.largest("wish_db", 120.0, 250.0);
    assert!(top_db > FILLED_DB, "{top_db}");
    let beyond_db = planned.largest("wish_db", 0.0, corner_hz * 1.001);
    assert!(beyond_db <= NOTHING_DB, "{beyond_db}");
    // Half an octave inside, half of it is allowed at most (a straight rise over an octave).
    let inside_db = planned.largest("wish_db", 0.0, corner_hz * 2f64.sqrt());
    assert!(inside_db <= 0.55 * top_db, "{inside_db} of {top_db}");
}

/// The trade's corner: where the listening window has fallen by 6 dB (common practice, as F6).
#[test]
fn the_corner_is_where_the_window_has_fallen_by_six_decibels() {
    /// The audit's grid (a 48th of an octave) and its smoothing of a third of an octave, which
    /// moves a slope of 24 dB per octave by less than this.
    const OFF: f64 = 0.03;
    for highpass_hz in [40.0, 70.0, 110.0] {
        let planned = Made::alike(|f_hz| fourth_order_db(f_hz, highpass_hz), "").plan(&[]);
        // 10^0.6 - 1 = 2.981 is the eighth power of fc/f.
        let wanted_hz = highpass_hz / (10f64.powf(0.6) - 1.0).powf(0.125);
        let corner_hz = planned.number("corner_hz");
        assert!(
            (corner_hz / wanted_hz - 1.0).abs() < OFF,
            "{corner_hz} Hz instead of {wanted_hz} Hz"
        );
    }
}

#[test]
fn without_seats_nothing_is_boosted_below_the_transition() {
    let speaker = Made::alike(|f_hz| bell_db(f_hz, 320.0, -5.0, 0.7), "");
    let free = speaker.plan(&[]);
    let planned = speaker.plan(&["--transition", "200"]);
    // Half an octave above the transition the dip is filled in both; below it only without one.
    for key in ["wish_db", "filters_db"] {
        let (freely_db, below_db) = (free.at(key, 190.0), planned.largest(key, 0.0, 200.0));
        assert!(free.at(key, 320.0) > FILLED_DB && planned.at(key, 340.0) > FILLED_DB);
        assert!(freely_db > 1.0, "{key}: {freely_db} dB to be taken back");
        let most_db = if key == "wish_db" {
            NOTHING_DB
        } else {
            SKIRT_DB
        };
        assert!(below_db <= most_db, "{key}: {below_db} dB");
    }
}

#[test]
fn a_stage_is_not_spent_on_the_level_of_the_whole() {
    // A bump far above the transition: one stage, and no shelf beside it.
    for f0_hz in [700.0, 1000.0, 2500.0] {
        let speaker = Made::alike(|f_hz| bell_db(f_hz, f0_hz, 4.0, 1.4), "");
        let planned = speaker.plan(&["--transition", "200"]);
        let stages = planned.json["stages"].as_array().unwrap();
        for stage in stages {
            let gain_db = stage["gain_db"].as_f64().unwrap();
            assert!(gain_db.abs() > 0.2, "{stages:?}");
        }
    }
}

#[test]
fn below_a_crossover_to_a_subwoofer_nothing_is_boosted() {
    let speaker = Made::alike(|f_hz| bell_db(f_hz, 150.0, -5.0, 0.7), "");
    let free = speaker.plan(&["--from", "90"]);
    let planned = speaker.plan(&["--sub", "90"]);
    let freely_db = free.at("wish_db", 88.0);
    assert!(freely_db > 1.0, "{freely_db} dB to be taken back");
    assert!(planned.at("wish_db", 160.0) > FILLED_DB);
    let below_db = planned.largest("wish_db", 0.0, 90.0);
    assert!(below_db <= NOTHING_DB, "{below_db} dB");
    // What the stages do without the highpass.
    let stages_db = planned.largest("filters_db", 0.0, 80.0);
    assert!(stages_db < SKIRT_DB, "{stages_db} dB");
    // A quarter of an octave above, boosts have come in by half (a straight rise over half an octave).
    let part = planned.at("wish_db", 107.0) / free.at("wish_db", 107.0);
    assert!((0.35..0.65).contains(&part), "{part}");
}

/// Near-field trace of a port: 10 dB over its surroundings at `f0_hz`.
fn trace(f0_hz: f64) -> String {
    let rows = per_octave(24.0)
        .into_iter()
        .map(|f_hz| format!("{f_hz},{}\n", bell_db(f_hz, f0_hz, 10.0, 6.0)));
    format!("freq_hz,level_db\n{}", rows.collect::<String>())
}

#[test]
fn a_dip_where_a_second_source_is_loud_is_not_filled() {
    let evidence = "[evidence]\nsecond_source = \"port.csv\"\n";
    // At its peak, and a sixth of an octave to either side of it.
    for dip_hz in [330.0, 294.0, 373.0] {
        let dip = |f_hz: f64| bell_db(f_hz, dip_hz, -5.0, 1.4);
        let boost_at_330_db = |trace_hz: f64| {
            let speaker = Made::alike(dip, evidence);
            speaker.write("port.csv", &trace(trace_hz));
            let planned = speaker.plan(&[]);
            let level_db = planned.number("eq_level_db");
            planned.at("filters_db", 330.0) - level_db
        };
        // A port that is loud elsewhere says nothing of this dip.
        let (elsewhere_db, here_db) = (boost_at_330_db(80.0), boost_at_330_db(330.0));
        assert!(elsewhere_db > FILLED_DB, "{dip_hz}: {elsewhere_db}");
        assert!(here_db < 1.0, "{dip_hz}: {here_db}");
    }
}

/// The widest and narrowest dips that a plan says it corrects, as Q.
fn corrected_dips(planned: &Planned) -> Vec<f64> {
    let findings = planned.json["findings"].as_array().unwrap();
    findings
        .iter()
        .filter(|f| f["cause"] == "shallow-dip" && f["decision"] == "correct")
        .map(|f| f["q"].as_f64().unwrap())
        .collect()
}

/// The limit is Q 2.8 (`audit::DIP_Q`). What is filled of a narrower dip is no wider than that, and
/// what is wider is filled by its own width.
#[test]
fn no_dip_is_corrected_that_is_narrower_than_the_limit() {
    for (q, wanted) in [(1.4, 1.4), (2.0, 2.0), (2.8, 2.8), (4.0, 2.8), (6.0, 2.8)] {
        let planned = Made::alike(|f_hz| bell_db(f_hz, 900.0, -4.5, q), "").plan(&[]);
        let found = corrected_dips(&planned);
        // What is narrower than is filled may be left alone altogether.
        assert!(
            found.len() == 1 || q > wanted && found.is_empty(),
            "Q {q}: {found:?}"
        );
        for found_q in found {
            // Widths are looked for in steps of half an octave of Q.
            assert!((found_q / wanted).log2().abs() < 0.26, "Q {q}: {found_q}");
            assert!(found_q <= 2.8, "Q {q}: {found_q}");
        }
        // Whatever is said, no stage boosts narrower than Q 3.
        for stage in planned.json["stages"].as_array().unwrap() {
            let is_boost = stage["gain_db"]
                .as_f64()
                .is_some_and(|gain_db| gain_db > 0.3);
            assert!(!is_boost || stage["q"].as_f64().unwrap() <= 3.0, "{stage}");
        }
    }
}

/// With averages only the limit is Q 1 (`audit::DIP_Q_AVERAGES`): as broad as that a lack is one of
/// tonal balance, and no dip is told as corrected.
#[test]
fn with_averaged_curves_only_no_dip_of_its_own_is_corrected() {
    for q in [1.4, 2.0, 2.8] {
        let beams = |f_hz: f64, db: f64| db * (f_hz / 20_000.0);
        let dip = |f_hz: f64| 85.0 + bell_db(f_hz, 900.0, -4.0, q);
        let speaker = Made::of_averages(
            &per_octave(24.0),
            &[
                ("on_axis", &dip),
                ("listening_window", &|f| dip(f) + beams(f, -1.0)),
                ("early_reflections", &|f| dip(f) + beams(f, -5.0)),
                ("sound_power", &|f| dip(f) + beams(f, -9.0)),
                ("in_room", &|f| dip(f) + beams(f, -6.0)),
            ],
        );
        let planned = speaker.plan(&[]);
        assert_eq!(planned.json["averages_only"], true);
        let found = corrected_dips(&planned);
        assert!(found.iter().all(|q| *q <= 1.0), "Q {q}: {found:?}");
    }
}

/// All angles share what the tests above call shared, and one orbit alone does not.
#[test]
fn a_dip_of_the_vertical_angles_alone_is_left() {
    let level = |f_hz: f64, orbit: Orbit, angle_deg: f64| {
        let lobe_db = match orbit {
            Orbit::Vertical => -0.4 * angle_deg.abs().min(60.0),
            Orbit::Horizontal => 0.0,
        };
        85.0 + bell_db(f_hz, 2000.0, lobe_db, 2.0) + beaming_db(f_hz, angle_deg)
    };
    let planned = Made::of_angles(&per_octave(24.0), &level, "").plan(&[]);
    let boost_db = planned.at("filters_db", 2000.0) - planned.number("eq_level_db");
    assert!(boost_db < 0.7, "{boost_db}");
}
