//! The gain in front: what keeps full scale from clipping, and no more of it than that.

use super::made::{Made, Planned, bell_db, printed};
use super::written::List;

/// The gain in front has steps of 0.1 dB, rounded to the safe side; a ten-thousandth more for the
/// step up to which a peak counts as rounding.
const ONE_STEP_DB: f64 = 0.1001;

/// Full scale may be passed by this much: a thousandth of a step is taken for rounding (see
/// `take_headroom` in `predict.rs`).
const OVER_DB: f64 = 0.0002;

/// Dips that the plan fills, the larger one lowest, so that the first stages matter.
fn two_dips(f_hz: f64) -> f64 {
    bell_db(f_hz, 450.0, -5.0, 1.0) + bell_db(f_hz, 3000.0, -3.0, 1.2)
}

/// Holds the gain in front of `list` against the peaks of its stages; what it costs, dB.
fn assert_headroom(list: &List, planned: &Planned, what: &str) -> f64 {
    // In fixed point nothing may overflow between the stages either.
    let from = match list.number.starts_with("fixed") {
        true => 1,
        false => list.sections.len(),
    };
    let peak_db = list.peak_behind_db(from).max(0.0);
    let over_db = peak_db + list.gain_db;
    assert!(
        (-ONE_STEP_DB..=OVER_DB).contains(&over_db),
        "{what}: stages reach {peak_db:+.4} dB behind a gain of {} dB",
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
        let prices_db = [&[][..], &["--sub", "300"]].map(|sub| {
            let arguments = [&["--device", name][..], sub].concat();
            let planned = speaker.plan(&arguments);
            let list = List::read(&planned.file("filters.txt"));
            assert_headroom(&list, &planned, &format!("{name} {sub:?}"))
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
    assert!(assert_headroom(&list, &planned, "cuts") < 0.25);
    for size_db in [-2.0, -3.1, -4.3] {
        let dip = Made::alike(|f_hz| bell_db(f_hz, 900.0, size_db, 1.2), "");
        let planned = dip.plan(&["--stages", "1"]);
        let list = List::read(&planned.file("filters.txt"));
        let price_db = assert_headroom(&list, &planned, &format!("a dip of {size_db} dB"));
        assert!(price_db > 1.0, "{price_db}");
    }
}
