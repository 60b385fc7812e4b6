//! Order of the stages and level in front, so that nothing goes above full scale.

use super::change::Change;
use super::held::{Held, peak_db};
use crate::device::{Device, Number};
use crate::filter::Bank;

/// A peak may stand so far above full scale, dB: levels are listed to 0.1 dB, half of it.
const WITHIN_DB: f64 = 0.05;

/// `held` in an order, and behind a level of at most `gain_db`, in which the cascade stays below
/// full scale, on devices in fixed point between the stages as well.
pub(super) fn arranged(
    held: Vec<Held>,
    gain_db: f64,
    device: &Device,
    changes: &mut Vec<Change>,
) -> (Vec<Held>, f64) {
    let peak = |held: &[Held], gain_db: f64| {
        let bank = Bank {
            rate_hz: device.rate_hz,
            gain_db,
            sections: held.iter().map(|h| h.section).collect(),
        };
        peak_db(&bank, device.number)
    };
    let mut best = (peak(&held, 0.0), held);
    if matches!(device.number, Number::Fixed { .. }) && best.0 + gain_db > WITHIN_DB {
        let mut cuts_first = best.1.clone();
        // What takes most away comes first; a scaled boost is a cut elsewhere.
        cuts_first.sort_by(|a, b| highest_db(a, device).total_cmp(&highest_db(b, device)));
        let peak_db = peak(&cuts_first, 0.0);
        if peak_db < best.0 - WITHIN_DB {
            best = (peak_db, cuts_first);
            changes.push(Change::Reordered);
        }
    }
    let (peak_db, held) = best;
    let most_db = if peak_db > WITHIN_DB {
        -device.level_from_db(peak_db)
    } else {
        0.0
    };
    if gain_db <= most_db || (gain_db <= 0.0 && peak_db + gain_db <= WITHIN_DB) {
        return (held, gain_db);
    }
    // Decimals of a tenth, not what the product leaves.
    let most_db = (most_db * 10.0).round() / 10.0 + 0.0;
    changes.push(Change::Lowered {
        by_db: gain_db - most_db,
    });
    (held, most_db)
}

/// Highest level that a stage gives a sine, dB.
fn highest_db(held: &Held, device: &Device) -> f64 {
    Bank {
        rate_hz: device.rate_hz,
        gain_db: 0.0,
        sections: vec![held.section],
    }
    .peak_db()
}
