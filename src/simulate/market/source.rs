//! What a source sends to a microphone, before its signal comes into it.

use super::directivity::{Directivity, Shadow, View, cos_sin};
use super::edges::{ALL_EDGES, Edge, LEAN};
use super::transfer::Block;
use crate::simulate::cap::SPEED_OF_SOUND_M_PER_S;
use crate::simulate::vector::{Vector, dot, length};
use num_complex::Complex64;

/// Where a source is and how it radiates.
#[derive(Debug, Clone, PartialEq)]
pub struct Radiation {
    /// Place, m: front, side, up from the point that the reference axis leaves.
    pub place_m: Vector,
    /// Its axis, length one.
    pub facing: Vector,
    pub directivity: Directivity,
    pub shadow: Option<Shadow>,
    pub edges: Vec<Edge>,
    /// Above this, round edges weaken the sound they send, Hz.
    pub round_from_hz: f64,
}

/// What a source is to the loudspeaker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// The front of a driver.
    Driver,
    /// A port or passive radiator.
    Port,
    /// Sound meant to cancel what goes to the back.
    Rear,
    /// What a defect brings.
    Fault,
}

/// A source and the way of its signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    pub role: Role,
    pub radiation: Radiation,
    /// The branch of the crossover that drives it.
    pub branch: usize,
    /// What its signal passes besides.
    pub own: Vec<Block>,
}

/// A microphone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Microphone {
    /// Direction, length one.
    pub towards: Vector,
    /// Distance, m; `None` in the far field.
    pub distance_m: Option<f64>,
}

/// A way from a place to a microphone.
pub struct Path {
    /// Level relative to the way from the origin.
    pub gain: f64,
    /// Longer than the way from the origin, m.
    pub detour_m: f64,
    /// Direction at the place, length one.
    pub towards: Vector,
}

impl Microphone {
    /// The way from `place_m`. Pressure falls as one over the distance.
    pub fn path(&self, place_m: Vector) -> Path {
        match self.distance_m {
            None => Path {
                gain: 1.0,
                detour_m: -dot(place_m, self.towards),
                towards: self.towards,
            },
            Some(distance_m) => {
                let way: Vector =
                    std::array::from_fn(|i| distance_m * self.towards[i] - place_m[i]);
                let way_m = length(way).max(0.1);
                Path {
                    gain: distance_m / way_m,
                    detour_m: way_m - distance_m,
                    towards: way.map(|w| w / way_m),
                }
            }
        }
    }
}

/// A direction as seen from a source with the axis `facing`.
fn view(facing: Vector, towards: Vector) -> View {
    let front = dot(facing, towards).clamp(-1.0, 1.0);
    let side = facing[0] * towards[1] - facing[1] * towards[0];
    View {
        front,
        side_rad: side.atan2(front),
        up_rad: towards[2].clamp(-1.0, 1.0).asin(),
    }
}

impl Radiation {
    /// Pressure for a signal of one at each frequency, microphone by microphone.
    pub fn field(&self, freqs_hz: &[f64], microphones: &[Microphone]) -> Vec<Complex64> {
        let along: Vec<f64> = self
            .directivity
            .gains(freqs_hz, View::SIDE)
            .iter()
            .zip(freqs_hz)
            .map(|(gain, f)| ALL_EDGES * gain / (1.0 + (f / self.round_from_hz).powi(2)).sqrt())
            .collect();
        let n = freqs_hz.len();
        let mut field = Vec::with_capacity(n * microphones.len());
        let (mut edge_re, mut edge_im) = (vec![0.0; n], vec![0.0; n]);
        for microphone in microphones {
            let path = microphone.path(self.place_m);
            let view = view(self.facing, path.towards);
            let mut gains = self.directivity.gains(freqs_hz, view);
            if let Some(shadow) = self.shadow {
                let shaded = shadow.gains(freqs_hz, view.front);
                gains.iter_mut().zip(shaded).for_each(|(g, s)| *g *= s);
            }
            edge_re.fill(0.0);
            edge_im.fill(0.0);
            for edge in &self.edges {
                let from_edge = microphone.path(edge.place_m);
                let lean = 1.0 + LEAN * dot(edge.outward, from_edge.towards);
                let weight = edge.share * from_edge.gain * lean;
                let late_s = (edge.distance_m + from_edge.detour_m) / SPEED_OF_SOUND_M_PER_S;
                for ((re, im), f) in edge_re.iter_mut().zip(&mut edge_im).zip(freqs_hz) {
                    let (cos, sin) = cos_sin(-late_s * f);
                    *re += weight * cos;
                    *im += weight * sin;
                }
            }
            let late_s = path.detour_m / SPEED_OF_SOUND_M_PER_S;
            field.extend((0..n).map(|i| {
                let (cos, sin) = cos_sin(-late_s * freqs_hz[i]);
                let direct = path.gain * gains[i];
                Complex64::new(
                    direct * cos - along[i] * edge_re[i],
                    direct * sin - along[i] * edge_im[i],
                )
            }));
        }
        field
    }
}

#[cfg(test)]
mod tests {
    use super::super::directivity::Piston;
    use super::super::edges::edge;
    use super::*;

    fn point(place_m: Vector) -> Radiation {
        Radiation {
            place_m,
            facing: [1.0, 0.0, 0.0],
            directivity: Directivity::Piston(Piston {
                radius_m: 1e-6,
                soft_from_hz: f64::INFINITY,
            }),
            shadow: None,
            edges: Vec::new(),
            round_from_hz: f64::INFINITY,
        }
    }

    fn far(angle_deg: f64) -> Microphone {
        let angle = angle_deg.to_radians();
        Microphone {
            towards: [angle.cos(), 0.0, angle.sin()],
            distance_m: None,
        }
    }

    #[test]
    fn two_sources_cancel_where_their_ways_differ_by_half_a_wave() {
        // d sin(angle) = lambda/2: with d = 0.2 m and 30 degrees, lambda = 0.2 m.
        let f_hz = SPEED_OF_SOUND_M_PER_S / 0.2;
        let sum = |angle_deg: f64| {
            let at = |up_m: f64| point([0.0, 0.0, up_m]).field(&[f_hz], &[far(angle_deg)])[0];
            (at(0.1) + at(-0.1)).norm()
        };
        assert!(sum(30.0) < 1e-6 && (sum(0.0) - 2.0).abs() < 1e-6);
        assert!((sum(90.0) - 2.0).abs() < 1e-6, "a whole wave");
    }

    #[test]
    fn the_level_falls_as_one_over_the_distance_to_the_source() {
        // A source 1 m ahead of the origin: half as far from a microphone at 2 m, so 6 dB more.
        let near = Microphone {
            distance_m: Some(2.0),
            ..far(0.0)
        };
        let ahead = point([1.0, 0.0, 0.0]).field(&[500.0], &[near])[0].norm();
        let home = point([0.0; 3]).field(&[500.0], &[near])[0].norm();
        assert!((ahead / home - 2.0).abs() < 1e-7);
    }

    #[test]
    fn edges_at_one_distance_make_a_comb_with_the_spacing_of_their_delay() {
        // On the axis 1 - s exp(-jkd): lowest at whole waves, highest half-way, spacing c/d.
        let distance_m = 0.1;
        let mut source = point([0.0; 3]);
        source.edges = (0..16)
            .map(|i| {
                edge(
                    [0.0; 3],
                    distance_m,
                    f64::from(i) * std::f64::consts::FRAC_PI_8,
                    1.0 / 16.0,
                )
            })
            .collect();
        let spacing_hz = SPEED_OF_SOUND_M_PER_S / distance_m;
        let freqs_hz = [0.5, 1.0, 1.5, 2.0].map(|n| n * spacing_hz);
        let levels = source.field(&freqs_hz, &[far(0.0)]);
        for (level, expected) in levels.iter().zip([1.5, 0.5, 1.5, 0.5]) {
            assert!((level.norm() - expected).abs() < 1e-5, "{level}");
        }
    }
}
