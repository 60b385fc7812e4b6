//! From positions to directions: where each receiver stands as seen from the speaker.

use super::container::Container;
use super::space::{Frame, Place, Vector, dot, minus, unit};
use crate::error::{Error, Result};
use crate::read::understood::Note;

/// One direction as seen from the speaker, in its own frame, and which data belong to it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Spot {
    /// Front, left, up; of length one.
    pub towards: Vector,
    /// Distance from the speaker, m.
    pub distance_m: f64,
    /// Measurement and receiver of each time it was measured.
    pub repeats: Vec<(usize, usize)>,
}

/// The most directions that are looked at: a sphere in steps of 2 degrees has 16 000.
const MOST_DIRECTIONS: usize = 20_000;

/// Directions closer than this were measured twice, degrees: rounding of the positions in the
/// file, far below what a turntable holds.
const SAME_DEG: f64 = 0.02;

/// The places of everything that has one.
struct Places {
    listener: Option<Place>,
    listener_view: Option<Place>,
    listener_up: Option<Place>,
    receiver: Place,
    source: Option<Place>,
    source_view: Option<Place>,
    source_up: Option<Place>,
}

/// All directions of a file whose data hold `data_measurements` times `receivers` responses, each
/// direction once. What had to be assumed is added to `notes`.
pub(super) fn directions(
    container: &Container,
    data_measurements: usize,
    receivers: usize,
    notes: &mut Vec<Note>,
) -> Result<Vec<Spot>> {
    let measurements = data_measurements;
    if measurements.saturating_mul(receivers) > MOST_DIRECTIONS {
        return Err(container.wrong(
            format!("{measurements} measurements by {receivers} receivers"),
            format!("at most {MOST_DIRECTIONS} directions"),
        ));
    }
    let places = Places::read(container, measurements, receivers)?;
    let moving = places.named().any(|(_, place)| place.moves());
    let measurements = if moving { measurements } else { 1 };
    if data_measurements > measurements {
        notes.push(Note::NothingMoves {
            measurements: data_measurements,
        });
    }
    if places.source_view.is_none() {
        if places.source.as_ref().is_some_and(Place::moves) {
            return Err(container.wrong(
                "a SourcePosition that moves, and no SourceView",
                "SourceView, or nobody knows which way the speaker looked",
            ));
        }
        notes.push(Note::NoView);
    }
    let mut spots = Vec::with_capacity(measurements * receivers);
    for m in 0..measurements {
        let source = places.source_at(container, m)?;
        for r in 0..receivers {
            let seen = source
                .1
                .seen(minus(places.receiver_at(container, m, r)?, source.0));
            let distance_m = dot(seen, seen).sqrt();
            let towards = unit(seen).ok_or_else(|| {
                container.wrong(
                    format!(
                        "receiver {} of measurement {} at the place of the source",
                        r + 1,
                        m + 1
                    ),
                    "receivers round the source",
                )
            })?;
            spots.push(Spot {
                towards,
                distance_m,
                repeats: vec![(m, r)],
            });
        }
    }
    Ok(each_once(spots))
}

impl Places {
    fn read(container: &Container, measurements: usize, receivers: usize) -> Result<Places> {
        let place = |name, kind_of| Place::read(container, name, kind_of);
        let missing = || container.wrong("no ReceiverPosition", "the position of every microphone");
        let places = Places {
            listener: place("ListenerPosition", "ListenerPosition")?,
            listener_view: place("ListenerView", "ListenerView")?,
            listener_up: place("ListenerUp", "ListenerView")?,
            receiver: place("ReceiverPosition", "ReceiverPosition")?.ok_or_else(missing)?,
            source: place("SourcePosition", "SourcePosition")?,
            source_view: place("SourceView", "SourceView")?,
            source_up: place("SourceUp", "SourceView")?,
        };
        let fits = |own: usize, wanted: usize| own == 1 || own == wanted;
        for (name, place) in places.named() {
            let (ms, rs) = (place.measurements(), place.receivers());
            let wanted_rs = if name == "ReceiverPosition" {
                receivers
            } else {
                1
            };
            if !fits(ms, measurements) || rs != wanted_rs {
                return Err(container.wrong(
                    format!("{ms} by {rs} positions in {name}"),
                    format!(
                        "{measurements} by {wanted_rs}, for {measurements} measurements and {receivers} receivers"
                    ),
                ));
            }
        }
        Ok(places)
    }

    fn named(&self) -> impl Iterator<Item = (&'static str, &Place)> {
        [
            ("ListenerPosition", self.listener.as_ref()),
            ("ListenerView", self.listener_view.as_ref()),
            ("ListenerUp", self.listener_up.as_ref()),
            ("ReceiverPosition", Some(&self.receiver)),
            ("SourcePosition", self.source.as_ref()),
            ("SourceView", self.source_view.as_ref()),
            ("SourceUp", self.source_up.as_ref()),
        ]
        .into_iter()
        .filter_map(|(name, place)| Some((name, place?)))
    }

    /// Where the source stands at measurement `m`, and its frame.
    fn source_at(&self, container: &Container, m: usize) -> Result<(Vector, Frame)> {
        let frame = frame(
            self.source_view.as_ref(),
            self.source_up.as_ref(),
            m,
            || no_frame(container, "SourceView and SourceUp", m),
        )?;
        Ok((position(self.source.as_ref(), m), frame))
    }

    fn receiver_at(&self, container: &Container, m: usize, r: usize) -> Result<Vector> {
        let frame = frame(
            self.listener_view.as_ref(),
            self.listener_up.as_ref(),
            m,
            || no_frame(container, "ListenerView and ListenerUp", m),
        )?;
        let (own, listener) = (
            frame.in_room(self.receiver.at(m, r)),
            position(self.listener.as_ref(), m),
        );
        Ok([
            own[0] + listener[0],
            own[1] + listener[1],
            own[2] + listener[2],
        ])
    }
}

fn no_frame(container: &Container, what: &str, m: usize) -> Error {
    container.wrong(
        format!("{what} of measurement {} along one line", m + 1),
        "a View and an Up at right angles",
    )
}

fn position(place: Option<&Place>, m: usize) -> Vector {
    place.map_or([0.0; 3], |place| place.at(m, 0))
}

/// The frame at measurement `m`: along +x with +z up where nothing else is said. Source:
/// AES69-2022, default View and Up (from memory).
fn frame(
    view: Option<&Place>,
    up: Option<&Place>,
    m: usize,
    error: impl Fn() -> Error,
) -> Result<Frame> {
    let at = |place: Option<&Place>, default: Vector| place.map_or(default, |p| p.at(m, 0));
    Frame::new(at(view, Frame::ROOM.front), at(up, Frame::ROOM.up)).ok_or_else(error)
}

/// Directions that stand several times are put together; the order of first appearance stays.
fn each_once(spots: Vec<Spot>) -> Vec<Spot> {
    // Neighbours in height are candidates; two vectors that close differ by no more in height.
    let window = SAME_DEG.to_radians();
    let mut by_height: Vec<usize> = (0..spots.len()).collect();
    by_height.sort_by(|a, b| spots[*a].towards[2].total_cmp(&spots[*b].towards[2]));
    let mut first_of: Vec<usize> = (0..spots.len()).collect();
    for (rank, &i) in by_height.iter().enumerate() {
        for &j in by_height[rank + 1..]
            .iter()
            .take_while(|j| spots[**j].towards[2] - spots[i].towards[2] <= window)
        {
            // The chord is as long as the arc for angles this small, and quicker.
            let apart = minus(spots[i].towards, spots[j].towards);
            if dot(apart, apart) < window * window {
                let first = first_of[i].min(first_of[j]);
                first_of[i] = first;
                first_of[j] = first;
            }
        }
    }
    let mut together: Vec<Option<Spot>> = vec![None; spots.len()];
    for (i, spot) in spots.into_iter().enumerate() {
        match &mut together[first_of[i]] {
            Some(first) => first.repeats.extend(spot.repeats),
            empty => *empty = Some(spot),
        }
    }
    together.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spot(towards: Vector, r: usize) -> Spot {
        Spot {
            towards: unit(towards).unwrap(),
            distance_m: 1.0,
            repeats: vec![(0, r)],
        }
    }

    #[test]
    fn a_direction_that_stands_several_times_is_put_together() {
        let spots = vec![
            spot([0.0, 0.0, 1.0], 0),
            spot([1.0, 0.0, 0.0], 1),
            spot([1e-5, 0.0, 1.0], 2),
            spot([1.0, 0.0, 0.01], 3),
            spot([0.0, 1e-5, 1.0], 4),
        ];
        let repeats: Vec<Vec<(usize, usize)>> =
            each_once(spots).into_iter().map(|s| s.repeats).collect();
        assert_eq!(
            repeats,
            [vec![(0, 0), (0, 2), (0, 4)], vec![(0, 1)], vec![(0, 3)]]
        );
    }
}
