// Compares the fit with a long random multi-start search on made-up curves.
//
// `cargo run --release --example fit_multistart -- [judge|tune] [curves] [starts]`
//
// Seeds from 0 were used while the search was tuned, seeds from 1000 to judge it. Each curve
// gets as many random starts, each refined to its nearest minimum; from the best found
// (the fit's own outcome among them) as many random exchanges of one to three stages follow.

use planish::device::{Coefficient, Device, Feedback, Number, Setting, StageLimits};
use planish::filter::{Kind, Stage};
use planish::fit::{Fit, Options, Wanted, fit, refine};
use std::f64::consts::PI;
use std::time::Instant;

/// SplitMix64 (Steele, Lea, Flood 2014): a fixed stream of numbers for each seed.
struct Draw(u64);

impl Draw {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    fn ratio(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    fn sign(&mut self) -> f64 {
        if self.unit() < 0.5 { -1.0 } else { 1.0 }
    }
}

fn device(stages: usize) -> Device {
    let limits = |kind, q: [f64; 2]| StageLimits {
        kind,
        at_most: None,
        f0_hz: Setting::Range {
            from: 20.0,
            to: 20000.0,
        },
        gain_db: Setting::Range {
            from: -12.0,
            to: 12.0,
        },
        q: Setting::Range {
            from: q[0],
            to: q[1],
        },
    };
    Device {
        name: "bench".into(),
        about: String::new(),
        rate_hz: 48000.0,
        number: Number::F64,
        feedback: Feedback::Subtracted,
        word_order: Coefficient::USUAL_ORDER,
        stages,
        limits: vec![
            limits(Kind::Peaking, [0.3, 10.0]),
            limits(Kind::LowShelf, [0.4, 1.0]),
            limits(Kind::HighShelf, [0.4, 1.0]),
        ],
    }
}

fn rows() -> Vec<f64> {
    (0..240)
        .map(|i| 20.0 * 1000f64.powf(f64::from(i) / 239.0))
        .collect()
}

fn response_db(stages: &[Stage], freqs_hz: &[f64]) -> Vec<f64> {
    freqs_hz
        .iter()
        .map(|f| {
            stages
                .iter()
                .map(|s| s.biquad(48000.0).gain_db(2.0 * PI * f / 48000.0))
                .sum()
        })
        .collect()
}

fn random_peaks(draw: &mut Draw, count: usize) -> Vec<Stage> {
    (0..count)
        .map(|_| Stage {
            kind: Kind::Peaking,
            f0_hz: draw.ratio(30.0, 16000.0),
            gain_db: draw.sign() * draw.between(1.5, 9.0),
            q: draw.ratio(0.5, 6.0),
        })
        .collect()
}

fn random_shelf(draw: &mut Draw) -> Stage {
    let low = draw.unit() < 0.5;
    Stage {
        kind: if low { Kind::LowShelf } else { Kind::HighShelf },
        f0_hz: if low {
            draw.ratio(60.0, 400.0)
        } else {
            draw.ratio(2000.0, 10000.0)
        },
        gain_db: draw.sign() * draw.between(1.5, 6.0),
        q: draw.ratio(0.5, 0.9),
    }
}

/// The classes of curves: name, number of stages the fit may use, curve.
fn curve(class: &str, seed: u64, freqs_hz: &[f64]) -> (usize, Vec<f64>) {
    let mut draw = Draw(seed.wrapping_mul(0x1234_5678_9abc_def1) ^ class.len() as u64);
    match class {
        // Eight peaks and a shelf: zero can be reached with nine stages.
        "recoverable" => {
            let mut stages = random_peaks(&mut draw, 8);
            stages.push(random_shelf(&mut draw));
            (9, response_db(&stages, freqs_hz))
        }
        // Twenty peaks and a shelf: zero cannot be reached with ten.
        "crowd" => {
            let mut stages = random_peaks(&mut draw, 20);
            stages.push(random_shelf(&mut draw));
            (10, response_db(&stages, freqs_hz))
        }
        // Bumps that are no biquads, at random: what an audit asks for.
        "wish" => {
            let bumps: Vec<[f64; 3]> = (0..18)
                .map(|_| {
                    [
                        draw.between(20f64.log2(), 20000f64.log2()),
                        draw.sign() * draw.between(0.5, 5.0),
                        draw.ratio(0.08, 0.8),
                    ]
                })
                .collect();
            let value = |f: &f64| {
                bumps
                    .iter()
                    .map(|[at, size, width]| size * (-((f.log2() - at) / width).powi(2)).exp())
                    .sum()
            };
            (10, freqs_hz.iter().map(value).collect())
        }
        // Waves over log frequency: everything is a local minimum.
        _ => {
            let waves: Vec<[f64; 3]> = (0..3)
                .map(|_| {
                    [
                        draw.between(1.0, 4.0),
                        draw.between(0.25, 1.1),
                        draw.between(0.0, 2.0 * PI),
                    ]
                })
                .collect();
            let value = |f: &f64| {
                waves
                    .iter()
                    .map(|[size, per_oct, phase]| {
                        size * (2.0 * PI * per_oct * f.log2() + phase).sin()
                    })
                    .sum()
            };
            (5, freqs_hz.iter().map(value).collect())
        }
    }
}

fn random_stage(draw: &mut Draw) -> Stage {
    let kind = match (12.0 * draw.unit()) as u32 {
        0 => Kind::LowShelf,
        1 => Kind::HighShelf,
        _ => Kind::Peaking,
    };
    Stage {
        kind,
        f0_hz: draw.ratio(20.0, 20000.0),
        gain_db: draw.between(-8.0, 8.0),
        q: draw.ratio(0.4, 8.0),
    }
}

/// The best of the random search, dB.
fn multistart(wanted: &Wanted, own: &Fit, stages: usize, starts: usize, draw: &mut Draw) -> Fit {
    let (device, options) = (
        device(stages),
        Options {
            stages: Some(stages),
            ..Options::default()
        },
    );
    let try_from =
        |start: &[Stage]| refine(wanted, &device, &options, start).expect("the curve is sound");
    let mut best = own.clone();
    let mut random: Option<Fit> = None;
    for _ in 0..starts {
        let start: Vec<Stage> = (0..stages).map(|_| random_stage(draw)).collect();
        let found = try_from(&start);
        if random.as_ref().is_none_or(|r| found.rms_db < r.rms_db) {
            random = Some(found);
        }
    }
    for mut walker in [Some(own.clone()), random].into_iter().flatten() {
        for _ in 0..starts {
            let mut start = walker.stages.clone();
            for _ in 0..1 + (3.0 * draw.unit()) as usize {
                if !start.is_empty() {
                    start.swap_remove((draw.unit() * start.len() as f64) as usize);
                }
            }
            while start.len() < stages {
                start.push(random_stage(draw));
            }
            let found = try_from(&start);
            if found.rms_db < walker.rms_db {
                walker = found;
            }
        }
        if walker.rms_db < best.rms_db {
            best = walker;
        }
    }
    best
}


fn show(s:&[Stage]){ let mut s=s.to_vec(); s.sort_by(|a,b|a.f0_hz.total_cmp(&b.f0_hz)); for t in s {println!("  {:9} {:9.1} {:7.2} {:6.2}",t.kind.name(),t.f0_hz,t.gain_db,t.q);} }
fn main(){
 let a:Vec<String>=std::env::args().skip(1).collect();
 let class=&a[0]; let seed:u64=a[1].parse().unwrap(); let starts:usize=a[2].parse().unwrap();
 let freqs_hz=rows(); let weights=vec![1.0;240];
 let (stages,gain_db)=curve(class,seed,&freqs_hz);
 if class=="recoverable" { let mut d=Draw(seed.wrapping_mul(0x1234_5678_9abc_def1) ^ class.len() as u64); let mut st=random_peaks(&mut d,8); st.push(random_shelf(&mut d)); println!("truth"); show(&st);}
 let wanted=Wanted{freqs_hz:&freqs_hz,gain_db:&gain_db,weights:&weights};
 let o=Options{stages:Some(stages),..Options::default()};
 let own=fit(&wanted,&device(stages),&o).unwrap();
 println!("own {} level {}",own.rms_db,own.level_db); show(&own.stages);
 let mut d=Draw(seed);
 let b=multistart(&wanted,&own,stages,starts,&mut d);
 println!("best {}",b.rms_db); show(&b.stages);
}
