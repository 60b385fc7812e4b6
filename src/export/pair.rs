//! The pair in the JSON documents.

use super::rows::StageRow;
use crate::predict::Plan;
use serde::Serialize;

/// How two units match and what the lists do for each.
#[derive(Debug, Serialize)]
pub(super) struct PairRow<'a> {
    second_unit: &'a str,
    level_db: f64,
    largest_difference_db: Option<f64>,
    largest_difference_hz: Option<f64>,
    bands: Vec<BandRow>,
    units: Vec<UnitRow<'a>>,
    freq_hz: &'a [f64],
    difference_db: &'a [f64],
}

#[derive(Debug, Serialize)]
struct BandRow {
    middle_hz: f64,
    mean_db: f64,
    rms_db: f64,
    largest_db: f64,
}

/// One unit; what its own list does is `null` when it has none.
#[derive(Debug, Serialize)]
struct UnitRow<'a> {
    speaker: &'a str,
    deviation_before_db: f64,
    deviation_after_db: f64,
    own_deviation_after_db: Option<f64>,
    own_stages: Option<Vec<StageRow>>,
    own_gain_db: Option<f64>,
    own_price_db: Option<f64>,
}

/// The row of a plan; `None` for a single speaker.
pub(super) fn row(plan: &Plan) -> Option<PairRow<'_>> {
    let pair = plan.situation.pair.as_ref()?;
    let matched = &pair.matched;
    let largest = matched.largest();
    let names = [plan.speaker.as_str(), pair.second.as_str()];
    Some(PairRow {
        second_unit: &pair.second,
        level_db: matched.level_db,
        largest_difference_db: largest.map(|at| at.value_db.abs()),
        largest_difference_hz: largest.map(|at| at.f_hz),
        bands: matched
            .bands
            .iter()
            .map(|band| BandRow {
                middle_hz: band.middle_hz,
                mean_db: band.mean_db,
                rms_db: band.rms_db,
                largest_db: band.largest_db,
            })
            .collect(),
        units: (0..2)
            .map(|k| {
                let own = plan.per_unit.get(k);
                UnitRow {
                    speaker: names[k],
                    deviation_before_db: pair.deviations[k].before_db,
                    deviation_after_db: pair.deviations[k].shared_db,
                    own_deviation_after_db: pair.deviations[k].own_db,
                    own_stages: own.map(|own| own.stages().iter().map(StageRow::from).collect()),
                    own_gain_db: own.map(|own| own.prediction.bank.gain_db),
                    own_price_db: own.map(|own| own.prediction.price_db),
                }
            })
            .collect(),
        freq_hz: matched.grid.freqs_hz(),
        difference_db: &matched.difference_db,
    })
}
