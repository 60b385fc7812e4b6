//! Everything that may be worth speaking of in a speaker: what the wish mends, what it passes over,
//! and where the speaker ends.

use super::candidate::{Candidate, Cause, Circumstance};
use super::component::Component;
use super::corrected::corrected;
use super::family::Family;
use super::frame::Frame;
use super::left_alone::{Heard, left_alone};
use crate::curve::{Band, Curve};

/// All candidates. `components` is what the wish mends.
pub(super) fn all(heard: &Heard, components: &[Component]) -> Vec<Candidate> {
    let (frame, weighed) = (heard.frame, heard.weighed);
    let family = Family::new(frame);
    let mut candidates = corrected(frame, components, heard.wish_db, &family);
    let left = left_alone(heard, &family, &candidates);
    candidates.extend(left);
    for candidate in &mut candidates {
        candidate.doubt_db = weighed.error_db[frame.grid.nearest(candidate.peak_hz)];
    }
    candidates.extend(low_edge(frame));
    candidates.extend(high_edge(frame));
    candidates
}

fn low_edge(frame: &Frame) -> Option<Candidate> {
    let corner_hz = frame.corner_hz?;
    let band = Band {
        from_hz: frame.grid.first_hz(),
        to_hz: corner_hz,
    };
    Some(edge(
        frame,
        band,
        0,
        Circumstance::BelowCorner { corner_hz },
    ))
}

fn high_edge(frame: &Frame) -> Option<Candidate> {
    let limit_hz = frame
        .trusted_to_hz
        .filter(|limit| *limit < frame.grid.last_hz())?;
    let band = Band {
        from_hz: limit_hz,
        to_hz: frame.grid.last_hz(),
    };
    let last = frame.grid.len() - 1;
    Some(edge(
        frame,
        band,
        last,
        Circumstance::NotTrusted { limit_hz },
    ))
}

fn edge(frame: &Frame, band: Band, peak: usize, known: Circumstance) -> Candidate {
    Candidate {
        band,
        peak_hz: frame.grid.freqs_hz()[peak],
        size_db: frame.window_db[peak],
        own: Curve::new(frame.grid.clone(), frame.window_db.clone()),
        q: None,
        spread_db: None,
        movement: None,
        cause: Cause::BandEdge,
        known: Some(known),
        doubt_db: 0.0,
        witnesses: Vec::new(),
    }
}
