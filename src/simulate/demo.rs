//! The two demo speakers: an invented pair from an invented workshop by a harbour.

use super::analog::{BoxTuning, Crossover, Filter, Slope};
use super::defect::{Defect, DefectKind, Fault, Place, SecondSource};
use super::design::{Design, Driver};
use super::measurement::Measurement;
use super::shoebox::{Listening, Shoebox};
use super::speaker::Speaker;
use crate::error::Result;

/// Folder name, speaker and measurement of each demo speaker. The first takes EQ well: its
/// faults are the same at all angles. The second hardly takes EQ: what is wrong with it changes
/// from angle to angle.
///
/// # Errors
/// None as long as the designs below fit together, which a test holds.
pub fn demo_speakers() -> Result<[(&'static str, Speaker, Measurement); 2]> {
    let measurement = |seed| Measurement {
        points_per_octave: 24.0,
        from_hz: 20.0,
        to_hz: 20_000.0,
        noise_db: 0.05,
        seed,
        ..Measurement::default()
    };
    Ok([
        ("quayside_5", quayside_5()?, measurement(5)),
        ("lantern_8", lantern_8()?, measurement(8)),
    ])
}

/// Five seats of an invented room, with the first demo speaker in its corner, and their names.
pub fn demo_seats() -> (Listening, [&'static str; 5]) {
    let listening = Listening {
        room: Shoebox {
            size_m: [5.3, 4.2, 2.6],
            rt60_s: 0.45,
        },
        source: [0.6, 1.1, 0.8],
        seats: vec![
            [3.9, 1.5, 1.1],
            [3.9, 2.1, 1.1],
            [3.9, 2.7, 1.1],
            [3.2, 0.9, 1.1],
            [4.6, 3.4, 1.1],
        ],
        corner_hz: 42.0,
        noise_db: 0.2,
        seed: 5,
    };
    let names = [
        "sofa_left",
        "sofa_middle",
        "sofa_right",
        "armchair",
        "window_seat",
    ];
    (listening, names)
}

fn peak(f_hz: f64, gain_db: f64, q: f64) -> Filter {
    Filter::Peaking { f_hz, gain_db, q }
}

fn driver(radius_m: f64, elevation_deg: f64, ripple: Vec<Filter>) -> Driver {
    Driver {
        radius_m,
        elevation_deg,
        azimuth_deg: 0.0,
        level_db: 0.0,
        ripple,
    }
}

/// A small vented two-way: 5-inch woofer, 1-inch dome, crossed where the woofer still radiates
/// widely.
fn quayside_5() -> Result<Speaker> {
    let design = Design {
        sphere_radius_m: 0.14,
        distance_m: Some(2.0),
        level_db: 86.0,
        drivers: vec![
            driver(0.05, -22.0, vec![peak(420.0, 0.4, 1.2)]),
            driver(0.0125, 12.0, vec![peak(9000.0, -0.5, 1.0)]),
        ],
        crossovers: vec![Crossover {
            f_hz: 2300.0,
            slope: Slope::FourthOrder,
        }],
        tuning: BoxTuning::Vented {
            f_hz: 52.0,
            q: [0.56, 1.2],
        },
        top_hz: 28_000.0,
        ripple: vec![peak(1300.0, -0.3, 1.5), peak(4700.0, 0.4, 1.3)],
    };
    let filter = |kind, f_hz, gain_db, q, place| Defect {
        kind,
        f_hz,
        fault: Fault::Filter(peak(f_hz, gain_db, q), place),
    };
    let defects = vec![
        filter(DefectKind::Resonance, 870.0, 4.5, 5.0, Place::Driver(0)),
        filter(DefectKind::Resonance, 6200.0, 3.5, 4.0, Place::Driver(1)),
        filter(DefectKind::Balance, 280.0, 3.0, 0.7, Place::Whole),
        filter(DefectKind::ShallowDip, 2600.0, -2.8, 1.4, Place::Whole),
    ];
    Speaker::new("Quayside 5", design, defects)
}

/// A vented two-way with an 8-inch woofer that beams up to its crossover, a pipe resonance of
/// the port that cancels the woofer, and a tweeter that comes late.
fn lantern_8() -> Result<Speaker> {
    let design = Design {
        sphere_radius_m: 0.2,
        distance_m: Some(2.0),
        level_db: 88.0,
        drivers: vec![
            driver(0.045, -18.0, vec![peak(350.0, -0.4, 1.0)]),
            driver(0.0125, 16.0, vec![peak(11_000.0, 0.5, 1.2)]),
        ],
        crossovers: vec![Crossover {
            f_hz: 2600.0,
            slope: Slope::FourthOrder,
        }],
        tuning: BoxTuning::Vented {
            f_hz: 38.0,
            q: [0.54, 1.3],
        },
        top_hz: 25_000.0,
        ripple: vec![peak(900.0, 0.3, 1.4), peak(6000.0, -0.4, 1.1)],
    };
    let port = SecondSource {
        driver: 0,
        elevation_deg: -15.0,
        azimuth_deg: 180.0,
        radius_m: 0.03,
        level: 0.72,
        f_hz: 620.0,
        q: 4.0,
        // The way through a pipe of 0.24 m.
        delay_s: 0.71e-3,
        inverted: true,
    };
    let defects = vec![
        Defect {
            kind: DefectKind::DirectivityStep,
            f_hz: 1700.0,
            fault: Fault::WideDriver {
                driver: 0,
                radius_m: 0.085,
            },
        },
        Defect {
            kind: DefectKind::Cancellation,
            f_hz: 620.0,
            fault: Fault::Source(port),
        },
        Defect {
            kind: DefectKind::CrossoverPhase,
            f_hz: 2600.0,
            fault: Fault::Offset {
                driver: 1,
                // A third of a period at the crossover.
                delay_s: 0.33 / 2600.0,
                inverted: false,
            },
        },
        Defect {
            kind: DefectKind::Resonance,
            f_hz: 330.0,
            fault: Fault::Filter(peak(330.0, 3.0, 3.0), Place::Whole),
        },
    ];
    Speaker::new("Lantern 8", design, defects)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::Grid;
    use crate::simulate::Simulated;

    #[test]
    fn the_demo_designs_fit_together_and_their_faults_are_as_told() {
        let speakers = demo_speakers().unwrap();
        let grid = Grid::logarithmic(200.0, 10_000.0, 24.0);
        for (_, speaker, _) in &speakers {
            for (i, defect) in speaker.defects().iter().enumerate() {
                let effect = speaker.effect(i, &grid).unwrap();
                let at = grid.nearest(defect.f_hz);
                let (axis_db, window_db) = (effect.on_axis_db[at], effect.listening_window_db[at]);
                let sound = match defect.kind {
                    DefectKind::Resonance => window_db > 2.5,
                    DefectKind::Balance => window_db > 2.5,
                    DefectKind::ShallowDip => window_db < -2.5,
                    DefectKind::DirectivityStep => {
                        axis_db.abs() < 0.7 && effect.sound_power_db[at] < -1.0
                    }
                    _ => axis_db < -5.0 && effect.in_room_db[at] > axis_db + 2.0,
                };
                assert!(sound, "{}: {defect:?}", speaker.name());
            }
        }
    }
}
