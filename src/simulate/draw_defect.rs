//! Random defects of each kind, and the check that they are of their kind.

use super::analog::Filter;
use super::cap::SPEED_OF_SOUND_M_PER_S;
use super::chance::Chance;
use super::defect::{Defect, DefectKind, Fault, Place, SecondSource};
use super::known::Simulated;
use super::measurement::full_orbits;
use super::radiation::Radiation;
use super::speaker::Speaker;
use crate::average::{Average, AveragedCurves, RearWall, listening_window_directions};
use crate::curve::Grid;
use crate::response::Direction;
use std::f64::consts::PI;

/// Defects sit here, Hz.
const LOWEST_HZ: f64 = 250.0;
const HIGHEST_HZ: f64 = 9000.0;

/// Grid on which a drawn defect is checked, points per octave: two points within the half-gain
/// width of the narrowest resonance drawn.
const CHECK_DENSITY: f64 = 24.0;

/// Draws of one defect before the design is given up.
const TRIES: usize = 25;

/// `speaker` with one more random defect of `kind`; `None` when no draw has an effect of that
/// kind apart from the other defects. `wide_m` is the radius that a directivity step gives the
/// driver below the top crossover.
pub(super) fn with_defect(
    chance: &mut Chance,
    speaker: &Speaker,
    kind: DefectKind,
    wide_m: Option<f64>,
) -> Option<Speaker> {
    let probe = Probe::new(speaker, kind)?;
    (0..TRIES).find_map(|_| {
        let (f_hz, fault) = draw_fault(chance, speaker, kind, wide_m)?;
        let with = |f_hz: f64| {
            let mut defects = speaker.defects().to_vec();
            let fault = fault.clone();
            defects.push(Defect { kind, f_hz, fault });
            Speaker::new(speaker.name(), speaker.design().clone(), defects).ok()
        };
        let seen_hz = probe.seen_hz(&with(f_hz)?, kind, f_hz)?;
        stands_apart(kind, seen_hz, speaker.defects()).then(|| with(seen_hz))?
    })
}

fn draw_fault(
    chance: &mut Chance,
    speaker: &Speaker,
    kind: DefectKind,
    wide_m: Option<f64>,
) -> Option<(f64, Fault)> {
    match kind {
        DefectKind::Resonance => draw_resonance(chance, speaker),
        DefectKind::Balance => Some(draw_balance(chance)),
        DefectKind::ShallowDip => Some(draw_shallow_dip(chance)),
        DefectKind::Cancellation => draw_cancellation(chance, speaker),
        DefectKind::CrossoverPhase => Some(draw_offset(chance, speaker)),
        DefectKind::DirectivityStep => draw_step(speaker, wide_m?),
        DefectKind::SingleAxisRipple => Some(draw_edge(chance, speaker)),
        DefectKind::DeepNull => draw_null(chance),
    }
}

/// Index of the driver that carries `f_hz`.
fn driver_at(speaker: &Speaker, f_hz: f64) -> usize {
    let below = |c: &&super::analog::Crossover| c.f_hz < f_hz;
    speaker.design().crossovers.iter().filter(below).count()
}

fn draw_resonance(chance: &mut Chance, speaker: &Speaker) -> Option<(f64, Fault)> {
    let f_hz = chance.log_between(LOWEST_HZ, HIGHEST_HZ);
    let q = chance.log_between(1.5, 15.0);
    let gain_db = chance.between(1.5, 8.0);
    let peak = Filter::Peaking { f_hz, gain_db, q };
    let driver = driver_at(speaker, f_hz);
    let kind = chance.unit();
    // Panels are quiet higher up.
    let fault = if kind < 0.2 && f_hz < 2500.0 {
        let panel = SecondSource {
            driver,
            elevation_deg: chance.between(-60.0, 60.0),
            azimuth_deg: chance.sign() * chance.between(0.0, 100.0),
            radius_m: 0.35 * speaker.design().sphere_radius_m,
            level: 0.0,
            f_hz,
            // A peaking filter of gain A^2 is one plus a band-pass of Q = A Q times A^2 - 1.
            q: q * 10f64.powf(gain_db / 40.0),
            delay_s: 0.0,
            inverted: false,
        };
        let share = 10f64.powf(gain_db / 20.0) - 1.0;
        Fault::Source(aimed(speaker, panel, share, 0.0)?)
    } else if kind < 0.6 {
        Fault::Filter(peak, Place::Driver(driver))
    } else {
        Fault::Filter(peak, Place::Whole)
    };
    Some((f_hz, fault))
}

fn draw_shallow_dip(chance: &mut Chance) -> (f64, Fault) {
    let f_hz = chance.log_between(LOWEST_HZ, HIGHEST_HZ);
    let filter = Filter::Peaking {
        f_hz,
        gain_db: -chance.between(1.5, 4.0),
        q: chance.log_between(0.7, 2.5),
    };
    (f_hz, Fault::Filter(filter, Place::Whole))
}

fn draw_balance(chance: &mut Chance) -> (f64, Fault) {
    let gain_db = chance.sign() * chance.between(1.5, 5.0);
    let f_hz = chance.log_between(LOWEST_HZ, HIGHEST_HZ);
    let filter = match chance.below(4) {
        0 => Filter::LowShelf {
            f_hz,
            gain_db,
            q: chance.between(0.4, 0.8),
        },
        1 => Filter::HighShelf {
            f_hz,
            gain_db,
            q: chance.between(0.4, 0.8),
        },
        _ => Filter::Peaking {
            f_hz,
            gain_db,
            q: chance.between(0.3, 0.8),
        },
    };
    (f_hz, Fault::Filter(filter, Place::Whole))
}

/// A source whose level and delay make it arrive on the reference axis, at its centre
/// frequency, as strong as `share` of its driver and `phase_rad` ahead of it. The delay is the
/// shortest one above 0, with either polarity.
fn aimed(
    speaker: &Speaker,
    source: SecondSource,
    share: f64,
    phase_rad: f64,
) -> Option<SecondSource> {
    let freqs_hz = [source.f_hz];
    let radiation = Radiation::new(speaker.design(), speaker.defects(), &freqs_hz);
    let field = *radiation.on_axis(&source).first()?;
    let turn = 2.0 * PI;
    // Phase that delay and polarity have to take away.
    let surplus = (field.arg() - phase_rad).rem_euclid(turn);
    let (inverted, late_rad) = if surplus >= PI {
        (true, surplus - PI)
    } else {
        (false, surplus)
    };
    Some(SecondSource {
        level: share / field.norm(),
        delay_s: late_rad / (turn * source.f_hz),
        inverted,
        ..source
    })
}

fn draw_cancellation(chance: &mut Chance, speaker: &Speaker) -> Option<(f64, Fault)> {
    let f_hz = chance.log_between(LOWEST_HZ, 1200.0);
    let rear = chance.happens(0.5);
    let port = SecondSource {
        driver: driver_at(speaker, f_hz),
        elevation_deg: if rear {
            chance.between(-40.0, 40.0)
        } else {
            -chance.between(50.0, 85.0)
        },
        azimuth_deg: match (rear, chance.happens(0.3)) {
            (true, _) => 180.0,
            (false, true) => chance.sign() * chance.between(20.0, 70.0),
            (false, false) => 0.0,
        },
        radius_m: chance.between(0.018, 0.035),
        level: 0.0,
        f_hz,
        q: chance.log_between(2.0, 8.0),
        delay_s: 0.0,
        inverted: false,
    };
    let share = chance.between(0.4, 0.95);
    let off_rad = chance.between(-0.6, 0.6);
    let source = aimed(speaker, port, share, PI + off_rad)?;
    (0.3..=1.2)
        .contains(&source.level)
        .then_some((f_hz, Fault::Source(source)))
}

fn draw_offset(chance: &mut Chance, speaker: &Speaker) -> (f64, Fault) {
    let crossovers = &speaker.design().crossovers;
    let index = chance.below(crossovers.len());
    let f_hz = crossovers[index].f_hz;
    // At the lower of two crossovers the woofer is late, at the upper one the tweeter; an
    // offset of the middle driver would upset both.
    let driver = if index + 1 == crossovers.len() {
        index + 1
    } else {
        index
    };
    let inverted = chance.happens(0.25);
    let periods = match inverted {
        true => chance.between(-0.15, 0.15),
        false => chance.sign() * chance.between(0.28, 0.5),
    };
    let fault = Fault::Offset {
        driver,
        delay_s: periods / f_hz,
        inverted,
    };
    (f_hz, fault)
}

fn draw_step(speaker: &Speaker, radius_m: f64) -> Option<(f64, Fault)> {
    let top_hz = speaker.design().crossovers.last()?.f_hz;
    let driver = speaker.design().drivers.len().checked_sub(2)?;
    Some((top_hz, Fault::WideDriver { driver, radius_m }))
}

fn draw_edge(chance: &mut Chance, speaker: &Speaker) -> (f64, Fault) {
    let last = speaker.design().drivers.len() - 1;
    let driver = if chance.happens(0.8) { last } else { last - 1 };
    // No nearer than the driver's own rim, no farther than a box is wide.
    let rim_m = 1.5 * speaker.design().drivers[driver].radius_m;
    let distance_m = chance.log_between(rim_m.max(0.03), 0.2);
    let shares = (0..16).map(|_| chance.between(0.3, 1.0)).collect();
    let fault = Fault::Edge {
        driver,
        distance_m,
        strength: chance.between(0.25, 1.0),
        shares,
    };
    (SPEED_OF_SOUND_M_PER_S / distance_m, fault)
}

fn draw_null(chance: &mut Chance) -> Option<(f64, Fault)> {
    let f_hz = chance.log_between(400.0, 8000.0);
    let wavelength_m = SPEED_OF_SOUND_M_PER_S / f_hz;
    // Path difference of an odd number of half waves on the reference axis.
    let late_m = wavelength_m * (0.5 + chance.below(4) as f64);
    // From the front axis to the object, and round it: from below in a quarter of the cases
    // (a stand or a shelf), any way otherwise.
    let off_axis = chance.between(45.0, 110.0).to_radians();
    let round = match chance.happens(0.25) {
        true => -0.5 * PI,
        false => chance.between(-PI, PI),
    };
    let distance_m = late_m / (1.0 - off_axis.cos());
    // Not inside a box, not across the room.
    if !(0.07..=0.8).contains(&distance_m) {
        return None;
    }
    let place_m = [
        distance_m * off_axis.cos(),
        distance_m * off_axis.sin() * round.cos(),
        distance_m * off_axis.sin() * round.sin(),
    ];
    let fault = Fault::Reflection {
        place_m,
        strength: chance.between(0.62, 0.97),
        f_hz,
        q: chance.log_between(1.5, 6.0),
    };
    Some((f_hz, fault))
}

/// Lowest and highest value with their frequencies, dB and Hz, within `from_hz..=to_hz`.
struct Extremes {
    low: (f64, f64),
    high: (f64, f64),
}

fn extremes(values_db: &[f64], grid: &Grid, (from_hz, to_hz): (f64, f64)) -> Extremes {
    let mut found = Extremes {
        low: (f64::INFINITY, from_hz),
        high: (f64::NEG_INFINITY, from_hz),
    };
    for i in grid.range(from_hz, to_hz) {
        let (value_db, f_hz) = (values_db[i], grid.freqs_hz()[i]);
        if value_db < found.low.0 {
            found.low = (value_db, f_hz);
        }
        if value_db > found.high.0 {
            found.high = (value_db, f_hz);
        }
    }
    found
}

fn rms(values_db: &[f64]) -> f64 {
    let count = values_db.len().max(1) as f64;
    (values_db.iter().map(|v| v * v).sum::<f64>() / count).sqrt()
}

/// A speaker before a defect is put in, for telling what the defect changes.
struct Probe {
    grid: Grid,
    directions: Vec<Direction>,
    before: AveragedCurves,
}

impl Probe {
    fn new(speaker: &Speaker, kind: DefectKind) -> Option<Probe> {
        let grid = Grid::logarithmic(0.5 * LOWEST_HZ, 1.8 * HIGHEST_HZ, CHECK_DENSITY);
        let directions: Vec<Direction> = match kind {
            // Only this kind is judged by the sound power.
            DefectKind::DirectivityStep => full_orbits(),
            _ => listening_window_directions()
                .iter()
                .map(|(orbit, angle_deg)| Direction::new(*orbit, *angle_deg))
                .collect(),
        };
        let before = curves(speaker, &grid, &directions)?;
        Some(Probe {
            grid,
            directions,
            before,
        })
    }

    /// Where the effect of the last defect of `speaker` sits if it is of `kind` and worth
    /// speaking of; the sizes are those of the population's description. `f_hz` is where it was
    /// put.
    fn seen_hz(&self, speaker: &Speaker, kind: DefectKind, f_hz: f64) -> Option<f64> {
        let grid = &self.grid;
        let after = curves(speaker, grid, &self.directions)?;
        let change = |after: &Option<Average>, before: &Option<Average>| -> Option<Vec<f64>> {
            let (after, before) = (after.as_ref()?, before.as_ref()?);
            let pairs = after.levels_db.iter().zip(&before.levels_db);
            Some(pairs.map(|(a, b)| a - b).collect())
        };
        let axis_db = change(&after.on_axis, &self.before.on_axis)?;
        let window_db = change(&after.listening_window, &self.before.listening_window)?;
        let near = |factor: f64| (f_hz / factor, f_hz * factor);
        let within = |value: f64, low: f64, high: f64| value >= low && value <= high;
        let seen_hz = match kind {
            DefectKind::Resonance => {
                let peak = extremes(&window_db, grid, near(1.2)).high;
                within(peak.0, 1.3, 9.0).then_some(f_hz)
            }
            DefectKind::Balance => {
                let all = extremes(&window_db, grid, (LOWEST_HZ, HIGHEST_HZ));
                (all.high.0.max(-all.low.0) >= 1.3).then_some(f_hz)
            }
            DefectKind::ShallowDip => {
                let dip = extremes(&window_db, grid, near(1.2)).low;
                (dip.0 <= -1.3).then_some(f_hz)
            }
            DefectKind::Cancellation => {
                let dip = extremes(&axis_db, grid, near(1.5)).low;
                let shared = extremes(&window_db, grid, near(1.5)).low;
                (within(dip.0, -15.0, -4.0) && shared.0 <= -3.0 && dip.1 <= 1250.0).then_some(dip.1)
            }
            DefectKind::CrossoverPhase => {
                let dip = extremes(&axis_db, grid, near(2.0)).low;
                let shared = extremes(&window_db, grid, near(2.0)).low;
                (dip.0 <= -4.0 && shared.0 <= -3.0).then_some(dip.1)
            }
            DefectKind::DirectivityStep => {
                let power_db = change(&after.sound_power, &self.before.sound_power)?;
                let band = (f_hz / 4.0, f_hz * 1.5);
                let axis = extremes(&axis_db, grid, band);
                let power = extremes(&power_db, grid, band);
                let flat = axis.high.0 < 0.7 && axis.low.0 > -0.7;
                (flat && power.low.0 <= -1.5 && power.high.0 < 0.7).then_some(power.low.1)
            }
            DefectKind::SingleAxisRipple => {
                let all = extremes(&axis_db, grid, (LOWEST_HZ, HIGHEST_HZ));
                let largest = if all.high.0 > -all.low.0 {
                    all.high
                } else {
                    all.low
                };
                let octaves = grid.range(largest.1 / 2.0, largest.1 * 2.0);
                let averaged = rms(&window_db[octaves.clone()]);
                let single = rms(&axis_db[octaves]);
                (within(largest.0.abs(), 1.5, 4.5) && averaged < 0.6 * single).then_some(largest.1)
            }
            DefectKind::DeepNull => {
                let dip = extremes(&axis_db, grid, near(1.3)).low;
                let shared = extremes(&window_db, grid, near(1.3)).low;
                (within(dip.0, -25.0, -8.0) && shared.0 <= -1.5).then_some(dip.1)
            }
        }?;
        within(seen_hz, LOWEST_HZ, HIGHEST_HZ).then_some(seen_hz)
    }
}

fn curves(speaker: &Speaker, grid: &Grid, directions: &[Direction]) -> Option<AveragedCurves> {
    let response = speaker.response(grid, directions).ok()?;
    Some(AveragedCurves::from_response(
        &response,
        RearWall::default(),
    ))
}

/// Whether a defect at `f_hz` keeps clear of those already there. Local effects may overlap on
/// their flanks but not coincide; a broad balance error may lie under anything but another
/// broad change.
fn stands_apart(kind: DefectKind, f_hz: f64, others: &[Defect]) -> bool {
    /// Half an ERB at mid frequencies is about a sixth of an octave; twice that keeps two
    /// defects of moderate Q apart while their flanks meet.
    const LOCAL_OCT: f64 = 1.0 / 3.0;
    /// Two broad changes of the tonal balance nearer than this are one.
    const BROAD_OCT: f64 = 1.2;
    others.iter().all(|other| {
        let apart_oct = (f_hz / other.f_hz).log2().abs();
        let broad = |kind| matches!(kind, DefectKind::Balance | DefectKind::ShallowDip);
        if broad(kind) && broad(other.kind) {
            apart_oct >= BROAD_OCT
        } else if kind == DefectKind::Balance || other.kind == DefectKind::Balance {
            true
        } else {
            apart_oct >= LOCAL_OCT
        }
    })
}
