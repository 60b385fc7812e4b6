//! The gain in front: what keeps full scale from clipping, and no more of it than that.

use super::made::{Made, Planned, bell_db, printed};
use super::written::List;

/// Full scale may be passed by this much, dB: a ten-thousandth of a dB is taken for rounding
/// (`Device::level_from_db`).
const OVER_DB: f64 = 0.0002;

/// Steps of the gain in front where a device does not say otherwise, dB.
const USUAL_STEP_DB: f64 = 0.1;

/// Dips that the plan fills, the larger one lowest, so that the first stages matter.
fn two_dips(f_hz: f64) -> f64 {
    bell_db(f_hz, 450.0, -5.0, 1.0) + bell_db(f_hz, 3000.0, -3.0, 1.2)
}

/// Holds the gain in front of `list`, which has steps of `step_db` rounded to the safe side, against the
/// peaks of its stages; what it costs, dB.
fn assert_headroom(list: &List, planned: &Planned, step_db: f64, what: &str) -> f64 {
    // In fixed point nothing may overflow between the stages either.
    let from = match list.number.starts_with("fixed") {
        true => 1,
        false => list.sections.len(),
    };
    let peak_db = list.peak_behind_db(from).max(0.0);
    let over_db = peak_db + list.gain_db;
    assert!(
        (-step_db - OVER_DB..=OVER_DB).contains(&over_db),
        "{what}: stages reach {peak_db:+.4} dB behind a gain of {} dB",
        list.gain_db
    );
    let steps = list.gain_db / step_db;
    assert!(
        (steps - steps.round()).abs() < 1e-9,
        "{what}: {}",
        list.gain_db
    );
    let price_db = planned.number("price_db");
    assert_eq!(price_db, 0.0 - list.gain_db, "{what}");
    assert_eq!(planned.number("gain_db"), list.gain_db, "{what}");
    price_db
}

#[test]
fn on_every_device_with_and_without_a_subwoofer_the_gain_in_front_is_what_the_stages_need() {
    let speaker = Made::alike(two_dips, "");
    let list: serde_json::Value = serde_json::from_str(&printed(&["list", "--json"])).unwrap();
    let devices = list["devices"].as_array().unwrap();
    assert!(devices.len() >= 9, "{}", devices.len());
    let mut reduced = 0;
    for device in devices {
        let name = device["name"].as_str().unwrap();
        let step_db = device["level_step_db"].as_f64().unwrap();
        let prices_db = [&[][..], &["--sub", "300"]].map(|sub| {
            let arguments = [&["--device", name][..], sub].concat();
            let planned = speaker.plan(&arguments);
            let list = List::read(&planned.file("filters.txt"));
            assert_headroom(&list, &planned, step_db, &format!("{name} {sub:?}"))
        });
        // Both dips are filled, so this is about a price.
        assert!(prices_db[0] > 2.0, "{name}: {prices_db:?}");
        reduced += usize::from(prices_db[1] < prices_db[0] - 0.5);
    }
    // The highpass takes 1.6 dB off the larger boost wherever the device has one for it.
    assert!(reduced >= 5, "{reduced} of {}", devices.len());
}

#[test]
fn a_plan_of_cuts_alone_costs_nothing_and_one_more_boost_costs_what_it_adds() {
    let cuts = Made::alike(|f_hz| bell_db(f_hz, 450.0, 5.0, 2.0), "");
    let planned = cuts.plan(&[]);
    let list = List::read(&planned.file("filters.txt"));
    assert!(!list.sections.is_empty());
    assert!(assert_headroom(&list, &planned, USUAL_STEP_DB, "cuts") < 0.25);
    for size_db in [-2.0, -3.1, -4.3] {
        let dip = Made::alike(|f_hz| bell_db(f_hz, 900.0, size_db, 1.2), "");
        let planned = dip.plan(&["--stages", "1"]);
        let list = List::read(&planned.file("filters.txt"));
        let what = format!("a dip of {size_db} dB");
        let price_db = assert_headroom(&list, &planned, USUAL_STEP_DB, &what);
        assert!(price_db > 1.0, "{price_db}");
    }
}
