//! From design and defects to the complex pressure in each direction.

use super::analog::{Crossover, band_pass, high_pass_first, low_pass};
use super::cap::{SPEED_OF_SOUND_M_PER_S, SphereWaves, cap_fields};
use super::defect::{Defect, Fault, Place, SecondSource};
use super::design::{Design, Driver};
use super::vector::{FRONT, Vector, dot, length, place};
use crate::units::db_to_amplitude;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Share of a driver's largest on-axis field below which its designer stops compensating: a
/// beaming driver far above its crossover has nulls that nobody equalises. -40 dB is below
/// anything that still shows in a sum.
const VOICING_FLOOR: f64 = 0.01;

/// Scattering by an edge needs the edge to be seen: below the frequency at which the distance
/// is 1/2 pi of a wavelength the copies fade out at 6 dB an octave. Order of magnitude from the
/// ratio of near to far field; our own choice.
fn edge_corner_hz(distance_m: f64) -> f64 {
    SPEED_OF_SOUND_M_PER_S / (2.0 * PI * distance_m)
}

/// A design with its defects, heard at some frequencies.
pub struct Radiation<'a> {
    design: &'a Design,
    defects: &'a [Defect],
    freqs_hz: &'a [f64],
    waves: Vec<SphereWaves>,
}

impl<'a> Radiation<'a> {
    pub fn new(design: &'a Design, defects: &'a [Defect], freqs_hz: &'a [f64]) -> Self {
        let waves = freqs_hz
            .iter()
            .map(|f| SphereWaves::new(design.sphere_radius_m, *f, design.distance_m))
            .collect();
        Radiation {
            design,
            defects,
            freqs_hz,
            waves,
        }
    }

    /// Field of a cap of `radius_m` at `position`, by direction and frequency.
    fn fields(&self, radius_m: f64, position: Vector, towards: &[Vector]) -> Vec<Vec<Complex64>> {
        let cosines: Vec<f64> = towards.iter().map(|u| dot(position, *u)).collect();
        self.fields_at(radius_m, &cosines)
    }

    fn fields_at(&self, radius_m: f64, cosines: &[f64]) -> Vec<Vec<Complex64>> {
        let half_angle_rad = (radius_m / self.design.sphere_radius_m).min(1.0).asin();
        cap_fields(half_angle_rad, cosines, &self.waves)
    }

    /// Radius of a driver as the defects leave it.
    fn driver_radius_m(&self, index: usize) -> f64 {
        self.defects
            .iter()
            .find_map(|defect| match defect.fault {
                Fault::WideDriver { driver, radius_m } if driver == index => Some(radius_m),
                _ => None,
            })
            .unwrap_or(self.design.drivers[index].radius_m)
    }

    /// The pressure of a driver by direction and frequency, and the signal that its designer
    /// wanted on the reference axis, by frequency.
    fn driver_pressures(&self, index: usize, towards: &[Vector]) -> DriverSound {
        let driver = &self.design.drivers[index];
        let radius_m = self.driver_radius_m(index);
        let mut with_axis = towards.to_vec();
        with_axis.push(FRONT);
        let mut pressures = self.fields(radius_m, driver.position(), &with_axis);
        let on_axis = pressures.pop().unwrap_or_default();
        let signal = self.signal(index, driver);
        let voicing = voicing(&on_axis);
        for row in &mut pressures {
            for ((p, signal), voicing) in row.iter_mut().zip(&signal).zip(&voicing) {
                *p *= signal * voicing;
            }
        }
        for defect in self.defects {
            if let Fault::Edge {
                driver,
                distance_m,
                strength,
                shares,
            } = &defect.fault
                && *driver == index
            {
                self.add_edge(
                    radius_m,
                    *distance_m,
                    *strength,
                    shares,
                    towards,
                    &mut pressures,
                );
            }
        }
        DriverSound { signal, pressures }
    }

    /// Crossover, box, level, ripple and the defects in this driver's path, by frequency.
    fn signal(&self, index: usize, driver: &Driver) -> Vec<Complex64> {
        let level = db_to_amplitude(driver.level_db);
        self.freqs_hz
            .iter()
            .map(|f_hz| {
                let mut signal = level * crossover_part(&self.design.crossovers, index, *f_hz);
                for filter in &driver.ripple {
                    signal *= filter.response(*f_hz);
                }
                if index == 0 {
                    signal *= self.design.tuning.response(*f_hz);
                }
                for defect in self.defects {
                    signal *= path_change(&defect.fault, index, *f_hz);
                }
                signal
            })
            .collect()
    }

    /// Edge diffraction: one delayed copy from each piece of edge. In a direction u the piece
    /// at r is late by `|r| - r.u`; the reference axis is square to the ring of edges, so all
    /// are late by the same there. How strongly an edge is lit is the driver's own field at
    /// 90 degrees against 0.
    fn add_edge(
        &self,
        driver_radius_m: f64,
        distance_m: f64,
        strength: f64,
        shares: &[f64],
        towards: &[Vector],
        pressures: &mut [Vec<Complex64>],
    ) {
        let lit = self.fields_at(driver_radius_m, &[0.0, 1.0]);
        let sum: f64 = shares.iter().sum();
        let amplitudes: Vec<Complex64> = self
            .freqs_hz
            .iter()
            .enumerate()
            .map(|(i, f_hz)| {
                let illumination = (lit[0][i].norm() / lit[1][i].norm()).min(1.0);
                let seen = high_pass_first(*f_hz, edge_corner_hz(distance_m));
                -seen * (strength * illumination / sum)
            })
            .collect();
        for (u, row) in towards.iter().zip(pressures) {
            let lates_s: Vec<(f64, f64)> = shares
                .iter()
                .enumerate()
                .map(|(i, share)| {
                    let angle = 2.0 * PI * i as f64 / shares.len() as f64;
                    let along_m = distance_m * (angle.cos() * u[1] + angle.sin() * u[2]);
                    (*share, (distance_m - along_m) / SPEED_OF_SOUND_M_PER_S)
                })
                .collect();
            for ((p, amplitude), f_hz) in row.iter_mut().zip(&amplitudes).zip(self.freqs_hz) {
                let copies: Complex64 = lates_s
                    .iter()
                    .map(|(share, late_s)| Complex64::from_polar(*share, -2.0 * PI * f_hz * late_s))
                    .sum();
                *p *= 1.0 + amplitude * copies;
            }
        }
    }

    /// Field of a second source, by direction and frequency, for its driver's `signal`.
    fn source_pressures(
        &self,
        source: &SecondSource,
        signal: &[Complex64],
        towards: &[Vector],
    ) -> Vec<Vec<Complex64>> {
        let position = place(source.elevation_deg, source.azimuth_deg);
        let mut fields = self.fields(source.radius_m, position, towards);
        let sign = if source.inverted { -1.0 } else { 1.0 };
        let leak: Vec<Complex64> = self
            .freqs_hz
            .iter()
            .zip(signal)
            .map(|(f_hz, signal)| {
                let band = band_pass(*f_hz, source.f_hz, source.q);
                let late = Complex64::from_polar(1.0, -2.0 * PI * f_hz * source.delay_s);
                signal * band * late * (sign * source.level)
            })
            .collect();
        for row in &mut fields {
            for (p, leak) in row.iter_mut().zip(&leak) {
                *p *= leak;
            }
        }
        fields
    }

    /// Complex pressure, by direction and frequency, relative to the design's level.
    pub fn pressures(&self, towards: &[Vector]) -> Vec<Vec<Complex64>> {
        let mut total = vec![vec![Complex64::ZERO; self.freqs_hz.len()]; towards.len()];
        for index in 0..self.design.drivers.len() {
            let sound = self.driver_pressures(index, towards);
            add(&mut total, &sound.pressures);
            for defect in self.defects {
                if let Fault::Source(source) = &defect.fault
                    && source.driver == index
                {
                    add(
                        &mut total,
                        &self.source_pressures(source, &sound.signal, towards),
                    );
                }
            }
        }
        for (i, f_hz) in self.freqs_hz.iter().enumerate() {
            let shared = self.shared_change(*f_hz);
            for row in &mut total {
                row[i] *= shared;
            }
        }
        for defect in self.defects {
            if let Fault::Reflection {
                place_m,
                strength,
                f_hz,
                q,
            } = defect.fault
            {
                self.add_reflection(place_m, strength, f_hz, q, towards, &mut total);
            }
        }
        total
    }

    /// Field of a second source on the reference axis, by frequency, for a signal of 1 and
    /// level 1, without its own band and delay.
    pub fn on_axis(&self, source: &SecondSource) -> Vec<Complex64> {
        let position = place(source.elevation_deg, source.azimuth_deg);
        self.fields(source.radius_m, position, &[FRONT])
            .pop()
            .unwrap_or_default()
    }

    fn shared_change(&self, f_hz: f64) -> Complex64 {
        let mut change = low_pass(f_hz, self.design.top_hz, std::f64::consts::FRAC_1_SQRT_2);
        for filter in &self.design.ripple {
            change *= filter.response(f_hz);
        }
        for defect in self.defects {
            if let Fault::Filter(filter, Place::Whole) = &defect.fault {
                change *= filter.response(f_hz);
            }
        }
        change
    }

    /// A copy from an object at r, late by `|r| - r.u`, weaker the more the box hides it.
    fn add_reflection(
        &self,
        place_m: Vector,
        strength: f64,
        center_hz: f64,
        q: f64,
        towards: &[Vector],
        total: &mut [Vec<Complex64>],
    ) {
        for (u, row) in towards.iter().zip(total) {
            let late_s = (length(place_m) - dot(place_m, *u)) / SPEED_OF_SOUND_M_PER_S;
            // A cardioid: full towards the front, nothing straight behind the box.
            let seen = 0.5 * (1.0 + dot(FRONT, *u));
            for (p, f_hz) in row.iter_mut().zip(self.freqs_hz) {
                let late = Complex64::from_polar(strength * seen, -2.0 * PI * f_hz * late_s);
                *p *= 1.0 + band_pass(*f_hz, center_hz, q) * late;
            }
        }
    }
}

struct DriverSound {
    signal: Vec<Complex64>,
    pressures: Vec<Vec<Complex64>>,
}

fn add(total: &mut [Vec<Complex64>], part: &[Vec<Complex64>]) {
    for (sums, row) in total.iter_mut().zip(part) {
        for (sum, p) in sums.iter_mut().zip(row) {
            *sum += p;
        }
    }
}

/// What the designer does about a driver whose field on the reference axis is `on_axis`, by
/// frequency: its diffraction is taken out, phase included, so that the crossover as designed
/// is what arrives there.
fn voicing(on_axis: &[Complex64]) -> Vec<Complex64> {
    let largest = on_axis.iter().map(|p| p.norm_sqr()).fold(0.0, f64::max);
    let floor = VOICING_FLOOR * VOICING_FLOOR * largest;
    on_axis
        .iter()
        .map(|p| p.conj() / (p.norm_sqr() + floor))
        .collect()
}

/// What a defect does in the path of driver `index`.
fn path_change(fault: &Fault, index: usize, f_hz: f64) -> Complex64 {
    match fault {
        Fault::Filter(filter, Place::Driver(driver)) if *driver == index => filter.response(f_hz),
        Fault::Offset {
            driver,
            delay_s,
            inverted,
        } if *driver == index => {
            let sign = if *inverted { -1.0 } else { 1.0 };
            Complex64::from_polar(sign, -2.0 * PI * f_hz * delay_s)
        }
        _ => Complex64::ONE,
    }
}

/// The part of the crossover network before driver `index`: the lows branch off first, and a
/// branch carries the all-pass of the crossovers it does not pass, so that all branches add up
/// to an all-pass however many there are.
fn crossover_part(crossovers: &[Crossover], index: usize, f_hz: f64) -> Complex64 {
    let mut part = Complex64::ONE;
    for (i, crossover) in crossovers.iter().enumerate() {
        let (low, high) = crossover.parts(f_hz);
        part *= match i {
            i if i < index => high,
            i if i == index => low,
            _ => low + high,
        };
    }
    part
}
