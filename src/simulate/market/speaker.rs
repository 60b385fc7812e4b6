//! A loudspeaker of the market: its design, voiced as a designer would, and its defects.

use super::defects::{Act, DEFECTS_HZ, Defect, KINDS, draw_defect, draw_f_hz};
use super::habits::Habits;
use super::layout::{Design, by_share};
use super::source::{Microphone, Radiation, Source};
use super::transfer::{Block, Voicing, chain};
use crate::average::{AveragedCurves, RearWall, listening_window_directions};
use crate::curve::{Grid, Smoother};
use crate::error::{Error, Result};
use crate::response::{Direction, Member, Response};
use crate::simulate::chance::Chance;
use crate::simulate::known::{effect_between, minus};
use crate::simulate::vector::{Vector, towards, turned_aside};
use crate::simulate::{DefectKind, Simulated, Truth, full_orbits};
use crate::units::{amplitude_to_db, power_to_db};
use num_complex::Complex64;

/// Level of the pass band, dB; any would do.
const LEVEL_DB: f64 = 85.0;

/// Defects tried before a speaker stays as it is.
const TRIES: usize = 20;

/// Tries for one kind before another one takes its turn.
const TRIES_OF_A_KIND: usize = 10;

/// Designs tried for one that a designer would let go.
const DESIGNS_TRIED: usize = 10;

/// A window rougher than this, small unevenness aside, goes back to the designer, dB rms.
const ROUGH_DB: f64 = 0.9;

/// How often a speaker has so many defects.
const COUNTS: [(usize, f64); 6] = [
    (0, 0.125),
    (1, 0.28),
    (2, 0.25),
    (3, 0.185),
    (4, 0.10),
    (5, 0.06),
];

/// A loudspeaker as wide as the market, with known defects.
#[derive(Debug, Clone, PartialEq)]
pub struct MarketSpeaker {
    design: Design,
    defects: Vec<Defect>,
}

/// One source in use: its place among all radiations, its branch, what its signal passes.
struct Part<'a> {
    radiation: usize,
    branch: usize,
    own: &'a [Block],
}

impl Part<'_> {
    fn of(radiation: usize, source: &Source) -> Part<'_> {
        Part {
            radiation,
            branch: source.branch,
            own: &source.own,
        }
    }
}

/// What reaches the microphones from every radiation, before any signal comes in. It is computed
/// once and serves for every choice of defects.
struct Heard {
    freqs_hz: Vec<f64>,
    microphones: usize,
    /// Empty for radiations that nobody asked for.
    fields: Vec<Vec<Complex64>>,
    angular_db: Vec<f64>,
}

impl MarketSpeaker {
    /// A random one, in one of eight without any defect, mostly with one to three; the same `seed`
    /// gives the same speaker.
    pub fn draw(seed: u64) -> MarketSpeaker {
        let mut chance = Chance::new(seed ^ 0x6d61_726b_6574);
        let chance = &mut chance;
        let mut speaker = MarketSpeaker::draw_healthy(chance);
        for _ in 1..DESIGNS_TRIED {
            if speaker.roughness_db(false) < ROUGH_DB {
                break;
            }
            speaker = MarketSpeaker::draw_healthy(chance);
        }
        let mut wanted = by_share(chance, &COUNTS);
        // The hard case: a bump at the flank of a null.
        if wanted > 0 && chance.happens(0.25) {
            wanted = wanted.max(2);
            speaker = speaker.with_null_and_bump(chance);
        }
        for _ in 0..TRIES {
            if speaker.defects.len() >= wanted {
                break;
            }
            // A kind that is hard to build comes as often as it was drawn.
            let kind = by_share(chance, &KINDS);
            let with = (0..TRIES_OF_A_KIND).find_map(|_| {
                let f_hz = draw_f_hz(chance, &speaker.design);
                speaker.with_one_more(chance, kind, f_hz)
            });
            speaker = with.unwrap_or(speaker);
        }
        speaker
    }

    fn draw_healthy(chance: &mut Chance) -> MarketSpeaker {
        let mut speaker = MarketSpeaker {
            design: Design::draw(chance),
            defects: Vec::new(),
        };
        speaker.voice(chance);
        speaker
    }

    fn with_null_and_bump(&self, chance: &mut Chance) -> MarketSpeaker {
        for _ in 0..TRIES {
            let kind = match chance.happens(0.75) {
                true => DefectKind::DeepNull,
                false => DefectKind::Cancellation,
            };
            let f_hz = draw_f_hz(chance, &self.design);
            let Some(null) = self.with_one_more(chance, kind, f_hz) else {
                continue;
            };
            let null_hz = null.defects.last().map_or(f_hz, |d| d.f_hz);
            for _ in 0..8 {
                let bump_hz = null_hz * (chance.sign() * chance.between(0.12, 0.6)).exp2();
                let both = null.with_one_more(chance, DefectKind::Resonance, bump_hz);
                let near = |s: &MarketSpeaker| {
                    let last = s.defects.last();
                    last.is_some_and(|d| (d.f_hz / null_hz).log2().abs() < 0.7)
                };
                if let Some(both) = both.filter(near) {
                    return both;
                }
            }
        }
        self.clone()
    }

    /// With one more defect, checked to have an effect of its kind.
    fn with_one_more(&self, chance: &mut Chance, kind: DefectKind, f_hz: f64) -> Option<Self> {
        let defect = draw_defect(chance, &self.design, kind, f_hz)?;
        if !self.has_room_for(&defect) {
            return None;
        }
        let voiced = defect.voiced;
        let mut with = self.clone();
        with.defects.push(defect);
        if voiced {
            let flattening = self.flattening(&with)?;
            with.defects.last_mut()?.acts.push(flattening);
        }
        let at_hz = self.effect_of_its_kind_hz(&with)?;
        let last = with.defects.last_mut()?;
        if last.place_by_effect {
            last.f_hz = at_hz;
        }
        let in_range = (DEFECTS_HZ.0..=DEFECTS_HZ.1).contains(&last.f_hz);
        in_range.then_some(with)
    }

    fn has_room_for(&self, defect: &Defect) -> bool {
        let at_crossover = |kind| {
            matches!(
                kind,
                DefectKind::CrossoverPhase | DefectKind::DirectivityStep
            )
        };
        let at_most = match defect.kind {
            DefectKind::Resonance => 3,
            DefectKind::ShallowDip | DefectKind::DeepNull => 2,
            _ => 1,
        };
        let same = self.defects.iter().filter(|d| d.kind == defect.kind);
        let apart = same
            .clone()
            .all(|d| (d.f_hz / defect.f_hz).log2().abs() > 0.3);
        let crossover_free =
            !at_crossover(defect.kind) || self.defects.iter().all(|d| !at_crossover(d.kind));
        // A source can radiate in one other way only.
        let sources_free = self.defects.iter().all(|d| {
            let taken = d.radiating();
            defect.radiating().iter().all(|s| !taken.contains(s))
        });
        same.count() < at_most && apart && crossover_free && sources_free
    }

    /// What takes out of the listening window again what the last defect of `with` changes.
    fn flattening(&self, with: &MarketSpeaker) -> Option<Act> {
        let grid = Grid::logarithmic(100.0, 16_000.0, 12.0);
        let before = self.averages(&grid, &window())?;
        let after = with.averages(&grid, &window())?;
        let change = minus(&after.listening_window, &before.listening_window)?;
        let smooth = Smoother::new(&grid, 0.4).apply(&change);
        Some(Act::Whole(Block::Voicing(Voicing {
            from_hz: grid.first_hz(),
            points_per_octave: grid.points_per_octave(),
            gains_db: smooth.iter().map(|v| -v).collect(),
        })))
    }

    /// Where the last defect of `with` has its largest effect, Hz; `None` unless it does what its
    /// kind says. Milder than what the other physics ask for: 1 dB is enough to be seen.
    fn effect_of_its_kind_hz(&self, with: &MarketSpeaker) -> Option<f64> {
        let kind = with.defects.last()?.kind;
        let step = kind == DefectKind::DirectivityStep;
        let from_hz = DEFECTS_HZ.0.max(1.4 * self.design.corner_hz);
        let (grid, directions) = match step {
            true => (Grid::logarithmic(from_hz, 16_000.0, 8.0), full_orbits()),
            false => (Grid::logarithmic(from_hz, 16_000.0, 24.0), window()),
        };
        let before = self.averages(&grid, &directions)?;
        let after = with.averages(&grid, &directions)?;
        let window_db = minus(&after.listening_window, &before.listening_window)?;
        let axis_db = minus(&after.on_axis, &before.on_axis)?;
        let lowest = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let largest = |values: &[f64]| highest(values).max(-lowest(values));
        let energy = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
        let (low, high) = (lowest(&window_db), highest(&window_db));
        let right = match kind {
            DefectKind::Resonance => high > 0.9 && high > -1.2 * low,
            // A level that all frequencies share is none.
            DefectKind::Balance => high - low > 1.1,
            DefectKind::ShallowDip => low < -1.0,
            DefectKind::Cancellation => (-20.0..-1.4).contains(&low) && high < -0.8 * low,
            DefectKind::CrossoverPhase => (-20.0..-1.4).contains(&low) && high < 1.2,
            DefectKind::DirectivityStep => {
                let flat_db = match with.defects.last()?.voiced {
                    true => &window_db,
                    false => &axis_db,
                };
                let room_db = minus(&after.in_room, &before.in_room)?;
                largest(&room_db) > 0.9 && largest(flat_db) < 0.8
            }
            DefectKind::SingleAxisRipple => {
                largest(&axis_db) > 1.0 && energy(&window_db) < 0.4 * energy(&axis_db)
            }
            DefectKind::DeepNull => lowest(&axis_db) < -4.0 && low < -1.4,
        };
        let seen_db = match kind {
            DefectKind::SingleAxisRipple => &axis_db,
            _ => &window_db,
        };
        let by_size = |(_, a): &(usize, &f64), (_, b): &(usize, &f64)| a.abs().total_cmp(&b.abs());
        let dips = !matches!(kind, DefectKind::Resonance | DefectKind::Balance);
        let at = seen_db
            .iter()
            .enumerate()
            .filter(|(_, v)| !dips || **v < 0.0)
            .max_by(by_size)?
            .0;
        right.then(|| grid.freqs_hz()[at])
    }

    /// Adds what a designer does to make the listening window, or in part the axis, smooth: a gain
    /// in front of everything, not finer than he looks.
    fn voice(&mut self, chance: &mut Chance) {
        let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
        let axis_share = match chance.happens(0.2) {
            true => chance.between(0.2, 0.6),
            false => 0.0,
        };
        let width_oct = chance.between(0.25, 0.9);
        let depth = chance.between(0.9, 1.0);
        let tilt_db_per_oct = chance.between(-0.12, 0.06);
        let Some(deviation_db) = self.off_target_db(&grid, axis_share, false) else {
            return;
        };
        let smooth = Smoother::new(&grid, width_oct).apply(&deviation_db);
        let middle = grid.range(300.0, 3000.0);
        let level_db = smooth[middle.clone()].iter().sum::<f64>() / middle.len().max(1) as f64;
        // Below the corner he does nothing, above the highest octave little.
        let first = grid.nearest(1.2 * self.design.corner_hz);
        let last = grid.nearest(15_000.0);
        let gains_db = (0..grid.len())
            .map(|i| {
                let held = i.clamp(first, last);
                let tilt_db = tilt_db_per_oct * (grid.freqs_hz()[held] / 1000.0).log2();
                (depth * (level_db - smooth[held])).clamp(-20.0, 20.0) + tilt_db
            })
            .collect();
        self.design.whole.push(Block::Voicing(Voicing {
            from_hz: grid.first_hz(),
            points_per_octave: grid.points_per_octave(),
            gains_db,
        }));
        self.design
            .whole
            .push(Block::Gain(crate::units::db_to_amplitude(-level_db)));
    }

    /// The window, in part the axis, less what the bass is meant to do, dB.
    fn off_target_db(&self, grid: &Grid, axis_share: f64, uneven: bool) -> Option<Vec<f64>> {
        let microphones: Vec<Microphone> = window().iter().map(|d| self.microphone(*d)).collect();
        let heard = self.heard(grid, &microphones, false);
        let response = response_of(grid, &window(), self.levels_db(&heard, |_| false, uneven))?;
        let curves = AveragedCurves::from_response(&response, RearWall::default());
        let (axis, window) = (curves.on_axis?, curves.listening_window?);
        let pairs = axis.levels_db.iter().zip(&window.levels_db);
        Some(
            pairs
                .zip(grid.freqs_hz())
                .map(|((a, w), f)| {
                    let bass_db = amplitude_to_db(self.design.bass(*f).max(1e-6));
                    axis_share * a + (1.0 - axis_share) * w - LEVEL_DB - bass_db
                })
                .collect(),
        )
    }

    /// Deviation of the healthy window from its target, dB rms, level aside.
    fn roughness_db(&self, uneven: bool) -> f64 {
        let from_hz = (2.0 * self.design.corner_hz).max(80.0);
        let grid = Grid::logarithmic(from_hz, 12_000.0, 24.0);
        let Some(deviation_db) = self.off_target_db(&grid, 0.0, uneven) else {
            return f64::INFINITY;
        };
        let n = deviation_db.len() as f64;
        let mean = deviation_db.iter().sum::<f64>() / n;
        let square = deviation_db.iter().map(|d| (d - mean).powi(2)).sum::<f64>();
        (square / n).sqrt()
    }

    fn microphone(&self, direction: Direction) -> Microphone {
        Microphone {
            towards: towards(direction),
            distance_m: self.design.distance_m,
        }
    }

    /// Radiations of the design, then of the defects.
    fn radiations(&self) -> Vec<&Radiation> {
        let own = self.design.sources.iter().map(|s| &s.radiation);
        let acts = self.defects.iter().flat_map(|d| &d.acts);
        own.chain(acts.filter_map(|act| match act {
            Act::Add(Source { radiation, .. }) | Act::Radiate(_, radiation) => Some(radiation),
            Act::Whole(_) | Act::Branch(..) => None,
        }))
        .collect()
    }

    /// The sources in use when the defects that are `active` are there.
    fn parts(&self, active: impl Fn(usize) -> bool) -> Vec<Part<'_>> {
        let sources = self.design.sources.iter().enumerate();
        let mut parts: Vec<Part> = sources.map(|(i, source)| Part::of(i, source)).collect();
        let mut next = parts.len();
        for (k, defect) in self.defects.iter().enumerate() {
            for act in &defect.acts {
                match act {
                    Act::Radiate(source, _) if active(k) => parts[*source].radiation = next,
                    Act::Add(source) if active(k) => parts.push(Part::of(next, source)),
                    _ => {}
                }
                next += usize::from(matches!(act, Act::Add(_) | Act::Radiate(..)));
            }
        }
        parts
    }

    /// What reaches the microphones: of everything, or only of what is in use as it stands.
    fn heard(&self, grid: &Grid, microphones: &[Microphone], of_all: bool) -> Heard {
        let freqs_hz = grid.freqs_hz().to_vec();
        let in_use: Vec<usize> = self.parts(|_| true).iter().map(|p| p.radiation).collect();
        let fields = self
            .radiations()
            .iter()
            .enumerate()
            .map(|(i, radiation)| match of_all || in_use.contains(&i) {
                true => radiation.field(&freqs_hz, microphones),
                false => Vec::new(),
            })
            .collect();
        let directions: Vec<Vector> = microphones.iter().map(|m| m.towards).collect();
        Heard {
            angular_db: self.design.uneven.angular_db(&freqs_hz, &directions),
            fields,
            microphones: microphones.len(),
            freqs_hz,
        }
    }

    /// Levels at each microphone with the defects that are `active`, with or without the small
    /// unevenness that all angles share.
    fn levels_db(
        &self,
        heard: &Heard,
        active: impl Fn(usize) -> bool,
        uneven: bool,
    ) -> Vec<Vec<f64>> {
        let parts = self.parts(&active);
        let acts = || {
            let defects = self.defects.iter().enumerate();
            defects
                .filter(|(k, _)| active(*k))
                .flat_map(|(_, d)| &d.acts)
        };
        let mut whole: Vec<Block> = self.design.whole.clone();
        whole.extend(acts().filter_map(|act| match act {
            Act::Whole(block) => Some(block.clone()),
            _ => None,
        }));
        let mut branches: Vec<Vec<Block>> = self.design.branches.clone();
        if uneven {
            whole.extend(self.design.uneven.common.iter().cloned());
            for (branch, own) in branches.iter_mut().zip(&self.design.uneven.branches) {
                branch.extend(own.iter().cloned());
            }
        }
        for act in acts() {
            if let Act::Branch(branch, block) = act {
                branches[*branch].push(block.clone());
            }
        }
        let over = |blocks: &[Block]| -> Vec<Complex64> {
            heard.freqs_hz.iter().map(|f| chain(blocks, *f)).collect()
        };
        let whole = over(&whole);
        let branches: Vec<Vec<Complex64>> = branches.iter().map(|b| over(b)).collect();
        let signals: Vec<Vec<Complex64>> = parts
            .iter()
            .map(|part| {
                let own = over(part.own);
                let branch = branches[part.branch].iter();
                let with_whole = branch.zip(&whole).map(|(b, w)| b * w);
                with_whole.zip(own).map(|(bw, own)| bw * own).collect()
            })
            .collect();
        let n = heard.freqs_hz.len();
        (0..heard.microphones)
            .map(|m| {
                let row = m * n..(m + 1) * n;
                let mut sum = vec![Complex64::default(); n];
                for (part, signal) in parts.iter().zip(&signals) {
                    let field = &heard.fields[part.radiation][row.clone()];
                    for ((sum, signal), field) in sum.iter_mut().zip(signal).zip(field) {
                        *sum += signal * field;
                    }
                }
                let angular_db = &heard.angular_db[row];
                sum.iter()
                    .zip(angular_db)
                    .map(|(p, a)| LEVEL_DB + power_to_db(p.norm_sqr().max(1e-30)) + a)
                    .collect()
            })
            .collect()
    }

    /// Averaged curves with all defects.
    fn averages(&self, grid: &Grid, directions: &[Direction]) -> Option<AveragedCurves> {
        let response = self.response(grid, directions).ok()?;
        Some(AveragedCurves::from_response(
            &response,
            RearWall::default(),
        ))
    }

    /// The response as measured with these habits, on both orbits in full.
    ///
    /// # Errors
    /// When the density makes no grid or an error of the measurement is no number.
    pub fn measure_with(&self, habits: &Habits) -> Result<Response> {
        let wrong =
            || Error::call("a simulated measurement needs a density above 0 and finite errors");
        let grid = habits.grid().ok_or_else(wrong)?;
        let directions = full_orbits();
        let [aside_deg, up_deg] = habits.axis_error_deg;
        let microphones: Vec<Microphone> = directions
            .iter()
            .map(|direction| Microphone {
                towards: turned_up(turned_aside(towards(*direction), aside_deg), up_deg),
                distance_m: self.design.distance_m,
            })
            .collect();
        let heard = self.heard(&grid, &microphones, false);
        let clean_db = self.levels_db(&heard, |_| true, true);
        let seen_db = habits.applied(&grid, clean_db);
        response_of(&grid, &directions, seen_db).ok_or_else(wrong)
    }
}

/// The directions of the listening window.
fn window() -> Vec<Direction> {
    listening_window_directions()
        .iter()
        .map(|(orbit, angle_deg)| Direction::new(*orbit, *angle_deg))
        .collect()
}

/// A unit vector turned upwards in the plane of front and up.
fn turned_up(u: Vector, turn_deg: f64) -> Vector {
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    [cos * u[0] - sin * u[2], u[1], sin * u[0] + cos * u[2]]
}

fn response_of(
    grid: &Grid,
    directions: &[Direction],
    levels_db: Vec<Vec<f64>>,
) -> Option<Response> {
    let members = directions.iter().zip(levels_db);
    Response::new(
        grid.clone(),
        members
            .map(|(direction, levels_db)| Member {
                direction: *direction,
                levels_db,
                phase_deg: None,
                mirrored: false,
            })
            .collect(),
    )
}

impl Simulated for MarketSpeaker {
    fn defects_known(&self) -> Vec<(DefectKind, f64)> {
        self.defects.iter().map(|d| (d.kind, d.f_hz)).collect()
    }

    fn without(&self, defect_index: usize) -> MarketSpeaker {
        let mut speaker = self.clone();
        if defect_index < speaker.defects.len() {
            speaker.defects.remove(defect_index);
        }
        speaker
    }

    fn healthy(&self) -> MarketSpeaker {
        MarketSpeaker {
            design: self.design.clone(),
            defects: Vec::new(),
        }
    }

    fn response(&self, grid: &Grid, directions: &[Direction]) -> Result<Response> {
        let mut once: Vec<Direction> = Vec::with_capacity(directions.len());
        for direction in directions {
            if !once.contains(direction) {
                once.push(*direction);
            }
        }
        let microphones: Vec<Microphone> = once.iter().map(|d| self.microphone(*d)).collect();
        let heard = self.heard(grid, &microphones, false);
        response_of(grid, &once, self.levels_db(&heard, |_| true, true))
            .ok_or_else(|| Error::call("a simulated response needs a direction"))
    }

    fn truth(&self, grid: &Grid) -> Result<Truth> {
        let directions = full_orbits();
        let microphones: Vec<Microphone> = directions.iter().map(|d| self.microphone(*d)).collect();
        let heard = self.heard(grid, &microphones, true);
        let missing = || Error::call("a simulated speaker lacks a curve");
        let curves = |active: &dyn Fn(usize) -> bool, uneven: bool| {
            let levels_db = self.levels_db(&heard, active, uneven);
            let response = response_of(grid, &directions, levels_db).ok_or_else(missing)?;
            Ok(AveragedCurves::from_response(
                &response,
                RearWall::default(),
            ))
        };
        let as_it_is = curves(&|_| true, true)?;
        let healthy = curves(&|_| false, true)?;
        let smooth = curves(&|_| false, false)?;
        let effects = self.defects.iter().enumerate().map(|(k, defect)| {
            let without = curves(&|other| other != k, true)?;
            let effect = effect_between(&as_it_is, &without).ok_or_else(missing)?;
            Ok((defect.kind, defect.f_hz, effect))
        });
        Ok(Truth {
            effects: effects.collect::<Result<_>>()?,
            shared_unevenness_db: minus(&healthy.listening_window, &smooth.listening_window),
            healthy_window_db: healthy.listening_window.ok_or_else(missing)?.levels_db,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::median;

    #[test]
    fn the_same_seed_gives_the_same_speaker_and_taking_all_defects_out_the_healthy_one() {
        let speaker = MarketSpeaker::draw(7);
        assert_eq!(speaker, MarketSpeaker::draw(7));
        let mut stripped = speaker.clone();
        while !stripped.defects_known().is_empty() {
            stripped = stripped.without(0);
        }
        assert_eq!(stripped, speaker.healthy());
        assert_eq!(speaker.without(99), speaker);
        let habits = Habits::draw(3);
        let once = speaker.measure_with(&habits).unwrap();
        assert_eq!(once, speaker.measure_with(&habits).unwrap());
    }

    /// The quick way to the truth against the plain one of the trait: with minus without.
    #[test]
    fn the_truth_is_what_taking_one_defect_out_changes() {
        let grid = Grid::logarithmic(100.0, 10_000.0, 6.0);
        for seed in 20..32 {
            let speaker = MarketSpeaker::draw(seed);
            let truth = speaker.truth(&grid).unwrap();
            let healthy = speaker.healthy().averages(&grid, &full_orbits()).unwrap();
            let near = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9);
            let window = healthy.listening_window.unwrap().levels_db;
            assert!(near(&truth.healthy_window_db, &window));
            for (k, (_, _, effect)) in truth.effects.iter().enumerate() {
                let plain = speaker.effect(k, &grid).unwrap();
                assert!(near(
                    &effect.listening_window_db,
                    &plain.listening_window_db
                ));
                assert!(near(&effect.in_room_db, &plain.in_room_db));
            }
        }
    }

    #[test]
    fn most_speakers_have_one_to_three_defects_and_some_none() {
        let counts: Vec<usize> = (0..160)
            .map(|seed| MarketSpeaker::draw(seed).defects.len())
            .collect();
        let share = |range: std::ops::RangeInclusive<usize>| {
            counts.iter().filter(|n| range.contains(n)).count() as f64 / counts.len() as f64
        };
        assert!(share(1..=3) >= 0.6, "{}", share(1..=3));
        // One in eight, within three standard errors of 160 draws.
        assert!((share(0..=0) - 0.125).abs() < 0.08, "{}", share(0..=0));
        assert!(share(6..=99) == 0.0);
    }

    #[test]
    fn healthy_windows_are_as_uneven_as_good_loudspeakers() {
        let rms_db = (0..60)
            .map(|seed| MarketSpeaker::draw(seed).healthy().roughness_db(true))
            .collect();
        let middle_db = median(rms_db);
        assert!((0.2..0.9).contains(&middle_db), "{middle_db}");
    }
}
