//! A rectangular room with its modes, and seats in it.
//!
//! The pressure of a small source in a room with nearly rigid walls is a sum over the room's modes,
//! each a resonance of known frequency. Source: H. Kuttruff, Room Acoustics, chapter 3 (from
//! memory): p ~ sum over n of psi_n(r) psi_n(s) / (K_n (w_n^2 - w^2 + 2 j d_n w)), with
//! psi = cos cos cos, w_n = pi c sqrt((l/Lx)^2 + (m/Ly)^2 + (n/Lz)^2) and d = 3 ln(10)/T60. A
//! loudspeaker that is flat in the open has a volume acceleration that is the same at all
//! frequencies, so nothing more is in front of the sum.

use super::cap::SPEED_OF_SOUND_M_PER_S;
use super::chance::Chance;
use crate::curve::Grid;
use num_complex::Complex64;
use std::f64::consts::PI;

/// A place in a room, metres from the corner in which the axes begin.
pub type Spot = [f64; 3];

/// One mode of a room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mode {
    /// Half waves along each side.
    pub order: [usize; 3],
    /// Its frequency, Hz.
    pub f_hz: f64,
}

/// A rectangular room. Sides and reverberation time are finite and above 0.
#[derive(Debug, Clone, PartialEq)]
pub struct Shoebox {
    /// Its sides, metres.
    pub size_m: [f64; 3],
    /// Reverberation time of every mode, s.
    pub rt60_s: f64,
}

/// Modes are summed up to so many times the highest frequency asked for: what lies above adds a
/// smooth part only.
const SUMMED_OVER: f64 = 1.6;

impl Shoebox {
    /// Its volume, cubic metres.
    pub fn volume_m3(&self) -> f64 {
        self.size_m.iter().product()
    }

    /// All modes up to `to_hz`, the pressure that is the same everywhere (0 Hz) among them, by
    /// ascending frequency.
    pub fn modes(&self, to_hz: f64) -> Vec<Mode> {
        let c = SPEED_OF_SOUND_M_PER_S;
        let most = self.size_m.map(|side| (2.0 * to_hz * side / c) as usize);
        let mut modes = Vec::new();
        for l in 0..=most[0] {
            for m in 0..=most[1] {
                for n in 0..=most[2] {
                    let order = [l, m, n];
                    let squares = order.iter().zip(self.size_m);
                    let sum: f64 = squares.map(|(n, side)| (*n as f64 / side).powi(2)).sum();
                    let f_hz = 0.5 * c * sum.sqrt();
                    if f_hz <= to_hz {
                        modes.push(Mode { order, f_hz });
                    }
                }
            }
        }
        modes.sort_by(|a, b| a.f_hz.total_cmp(&b.f_hz));
        modes
    }

    /// Q of a mode at `f_hz`. Source: bandwidth 2.2/T60 (Kuttruff, from memory).
    pub fn mode_q(&self, f_hz: f64) -> f64 {
        f_hz * self.rt60_s / 2.2
    }

    /// Amplitude of a mode at a place, -1 to 1.
    pub fn shape(&self, mode: &Mode, at: Spot) -> f64 {
        (0..3)
            .map(|k| (mode.order[k] as f64 * PI * at[k] / self.size_m[k]).cos())
            .product()
    }

    /// Level in dB (any reference, the same for all seats) of a source that is flat in the open.
    pub fn levels_db(&self, source: Spot, seat: Spot, freqs_hz: &[f64]) -> Vec<f64> {
        let highest = freqs_hz.iter().copied().fold(0.0, f64::max);
        let modes = self.modes(SUMMED_OVER * highest);
        // d = 3 ln(10) / T60, since the level falls by 60 dB in that time.
        let damping = 3.0 * 10f64.ln() / self.rt60_s;
        let strengths: Vec<f64> = modes
            .iter()
            .map(|mode| {
                // Mean square of the cosines: one half for each side with half waves.
                let norm: f64 = mode
                    .order
                    .iter()
                    .map(|n| if *n > 0 { 0.5 } else { 1.0 })
                    .product();
                self.shape(mode, source) * self.shape(mode, seat) / norm
            })
            .collect();
        freqs_hz
            .iter()
            .map(|f| {
                let w = 2.0 * PI * f;
                let sum: Complex64 = modes
                    .iter()
                    .zip(&strengths)
                    .map(|(mode, strength)| {
                        let own = 2.0 * PI * mode.f_hz;
                        strength / Complex64::new(own * own - w * w, 2.0 * damping * w)
                    })
                    .sum();
                // 1/V and the free field at 1 m, which is 1/(4 pi c^2), as reference.
                let c = SPEED_OF_SOUND_M_PER_S;
                20.0 * (4.0 * PI * c * c / self.volume_m3() * sum.norm()).log10()
            })
            .collect()
    }
}

/// A room with a loudspeaker and some seats.
#[derive(Debug, Clone, PartialEq)]
pub struct Listening {
    /// The room.
    pub room: Shoebox,
    /// Where the speaker stands.
    pub source: Spot,
    /// Where people sit.
    pub seats: Vec<Spot>,
    /// Low corner of the speaker, Hz, second order, Q 0.7.
    pub corner_hz: f64,
    /// Standard deviation of the noise of the measurement, dB.
    pub noise_db: f64,
    /// Seed of the noise, and of the reference level of each seat.
    pub seed: u64,
}

impl Listening {
    /// A home drawn by chance: 25 to 90 cubic metres, a speaker near the front wall, a sofa and
    /// chairs.
    pub fn drawn(seed: u64, seats: usize) -> Listening {
        let mut chance = Chance::new(seed);
        let size_m = [
            chance.between(3.2, 6.5),
            chance.between(2.8, 5.2),
            chance.between(2.3, 2.8),
        ];
        let room = Shoebox {
            size_m,
            rt60_s: chance.between(0.25, 0.6),
        };
        let source = [
            chance.between(0.3, 0.9),
            chance.between(0.2, 0.35) * size_m[1],
            chance.between(0.4, 1.0),
        ];
        let sofa = [chance.between(0.55, 0.85), chance.between(0.35, 0.65)];
        let seats = (0..seats)
            .map(|_| {
                [
                    (sofa[0] * size_m[0] + chance.between(-0.5, 0.5)).clamp(0.3, size_m[0] - 0.3),
                    (sofa[1] * size_m[1] + chance.between(-0.9, 0.9)).clamp(0.3, size_m[1] - 0.3),
                    chance.between(1.0, 1.2),
                ]
            })
            .collect();
        Listening {
            room,
            source,
            seats,
            corner_hz: chance.between(22.0, 45.0),
            noise_db: chance.between(0.0, 0.5),
            seed,
        }
    }

    /// Levels at the seats on `grid` as measured, dB, each seat at a reference of its own.
    pub fn levels_db(&self, grid: &Grid) -> Vec<Vec<f64>> {
        let mut chance = Chance::new(self.seed.wrapping_add(1));
        let high_pass: Vec<f64> = grid
            .freqs_hz()
            .iter()
            .map(|f| {
                let x = f / self.corner_hz;
                // Second-order high-pass of Q 0.7 (maximally flat).
                20.0 * (x * x / (1.0 + x.powi(4)).sqrt()).log10()
            })
            .collect();
        self.seats
            .iter()
            .map(|seat| {
                let reference_db = chance.between(-20.0, 20.0);
                self.room
                    .levels_db(self.source, *seat, grid.freqs_hz())
                    .iter()
                    .zip(&high_pass)
                    .map(|(level, low)| {
                        level + low + reference_db + self.noise_db * chance.normal()
                    })
                    .collect()
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mode_alone_has_the_width_of_its_reverberation_time() {
        // Only along the length: source and seat in corners, far below the next modes.
        let room = Shoebox {
            size_m: [8.0, 1.0, 1.0],
            rt60_s: 1.5,
        };
        let grid = Grid::logarithmic(19.0, 24.0, 4000.0);
        let levels = room.levels_db([0.0; 3], [8.0, 0.0, 0.0], grid.freqs_hz());
        let top = (0..grid.len())
            .max_by(|a, b| levels[*a].total_cmp(&levels[*b]))
            .unwrap();
        let f_hz = grid.freqs_hz()[top];
        // A damped mode peaks below its own frequency, at w sqrt(1 - 2 (d/w)^2); the pressure that is
        // the same everywhere draws the top down by about as much again, a thousandth.
        let own = 2.0 * PI * SPEED_OF_SOUND_M_PER_S / 16.0;
        let damping = 3.0 * 10f64.ln() / room.rt60_s;
        let wanted_hz = own * (1.0 - 2.0 * (damping / own).powi(2)).sqrt() / (2.0 * PI);
        assert!((f_hz / wanted_hz - 1.0).abs() < 0.002, "{f_hz}");
        let inside = (0..grid.len()).filter(|i| levels[*i] > levels[top] - 3.0103);
        let (low, high) = inside.fold((f64::INFINITY, 0.0f64), |(low, high), i| {
            let f = grid.freqs_hz()[i];
            (low.min(f), high.max(f))
        });
        // 2.2/T60 within a tenth: the other modes stand on its skirts.
        assert!(
            ((high - low) / (2.2 / 1.5) - 1.0).abs() < 0.1,
            "{}",
            high - low
        );
    }

    #[test]
    fn modes_are_those_of_the_closed_form() {
        let room = Shoebox {
            size_m: [5.0, 4.0, 2.5],
            rt60_s: 0.4,
        };
        let modes = room.modes(60.0);
        // c/(2 Lx), c/(2 Ly), and both: sqrt of the sum of squares.
        let c = SPEED_OF_SOUND_M_PER_S;
        let wanted = [0.0, c / 10.0, c / 8.0, (c / 10.0).hypot(c / 8.0)];
        assert_eq!(modes.len(), 4);
        for (mode, wanted) in modes.iter().zip(wanted) {
            assert!((mode.f_hz - wanted).abs() < 1e-9);
        }
    }
}
