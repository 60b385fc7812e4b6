//! Sound files and SOFA files that are something else, end early or declare what they do not hold.

use super::written_sofa::{Sofa, Var, var};
use super::{Dice, FOLDER, Files, Mistake, refused, sound};

const SOUND: &[&str] = &[
    "impulses",
    "impulses by name",
    "loopback sound",
    "sound file",
];
const IMPULSES: &[&str] = &["impulses", "impulses by name"];
const SOFA: &[&str] = &["sofa, written"];

fn wav<'a>(files: &'a mut Files, dice: &mut Dice) -> &'a mut Vec<u8> {
    let places: Vec<usize> = (0..files.len())
        .filter(|i| files[*i].0.ends_with(".wav"))
        .collect();
    let at = *dice.of(&places);
    &mut files[at].1
}

/// Where a chunk of a WAV file begins.
fn chunk(bytes: &[u8], name: &[u8]) -> usize {
    bytes.windows(4).position(|w| w == name).unwrap()
}

/// The SOFA file of the kind, changed variable by variable.
fn sofa(files: &mut Files, change: impl FnOnce(&mut Sofa)) {
    let mut sofa = sound::sofa("FreeFieldDirectivityTF");
    change(&mut sofa);
    files[0].1 = sofa.bytes();
}

fn variable<'a>(sofa: &'a mut Sofa, name: &str) -> &'a mut Var {
    sofa.variables.iter_mut().find(|v| v.name == name).unwrap()
}

pub fn mistakes() -> Vec<Mistake> {
    vec![
        refused(
            "a sound file that is another kind of file",
            SOUND,
            |files, dice| {
                let starts: [&[u8]; 10] = [
                    b"fLaC\0\0\0\x22\x10\0\x10\0",
                    b"OggS\0\x02\0\0\0\0",
                    b"ID3\x04\0\0\0\0\0\0\xFF\xFB\x90",
                    b"FORM\0\0\x10\0AIFFCOMM",
                    b"RIFF\x24\0\0\0AVI LIST",
                    b"caff\0\x01\0\0desc",
                    b"",
                    b"RIFF",
                    b"20,1\n30,2\n",
                    b"\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0",
                ];
                *wav(files, dice) = dice.of(&starts).to_vec();
            },
        ),
        refused("a sound file cut off in its head", SOUND, |files, dice| {
            let bytes = wav(files, dice);
            let data = chunk(bytes, b"data");
            bytes.truncate(dice.below(data + 8));
        }),
        refused("a sound format that cannot be", SOUND, |files, dice| {
            let bytes = wav(files, dice);
            let fmt = chunk(bytes, b"fmt ");
            // Format, channels, rate, bytes of a frame, bits. Source: RIFF WAVE, `fmt `.
            let changes: [(usize, &[u8]); 14] = [
                (8, &[0, 0]),
                (8, &[2, 0]),
                (8, &[0x55, 0]),
                (8, &[0x11, 0]),
                (8, &[0xFF, 0xFF]),
                (10, &[0, 0]),
                (10, &[0xFF, 0xFF]),
                (12, &[0, 0, 0, 0]),
                (12, &[0xFF, 0xFF, 0xFF, 0xFF]),
                (12, &[1, 0, 0, 0]),
                (20, &[0, 0]),
                (20, &[0xFF, 0xFF]),
                (22, &[0, 0]),
                (22, &[65, 0]),
            ];
            let (at, value) = dice.of(&changes);
            bytes[fmt + at..fmt + at + value.len()].copy_from_slice(value);
        }),
        refused("a sound file without its sound", SOUND, |files, dice| {
            let bytes = wav(files, dice);
            let data = chunk(bytes, b"data");
            match dice.below(3) {
                0 => bytes[data..data + 4].copy_from_slice(b"LIST"),
                1 => bytes.truncate(data),
                _ => {
                    let fmt = chunk(bytes, b"fmt ");
                    bytes[fmt..fmt + 4].copy_from_slice(b"junk");
                }
            }
        }),
        Mistake {
            must_be_refused: false,
            ..refused(
                "sizes that a sound file does not hold",
                SOUND,
                |files, dice| {
                    let bytes = wav(files, dice);
                    let data = chunk(bytes, b"data");
                    let at = *dice.of(&[4, data + 4]);
                    let size =
                        *dice.of(&[0u32, 1, 3, 0x7FFF_FFFF, 0xFFFF_FFFF, 0xFFFF_FFFE, 1 << 30]);
                    bytes[at..at + 4].copy_from_slice(&size.to_le_bytes());
                },
            )
        },
        refused("an impulse that is silent", IMPULSES, |files, dice| {
            let bytes = wav(files, dice);
            let data = chunk(bytes, b"data");
            bytes[data + 8..].fill(0);
        }),
        refused("samples that are no numbers", IMPULSES, |files, dice| {
            let bytes = wav(files, dice);
            let (fmt, data) = (chunk(bytes, b"fmt "), chunk(bytes, b"data"));
            // The 32-bit floats of whatever file it was.
            let mut head = bytes[..fmt + 8].to_vec();
            head[4..8].copy_from_slice(&4000u32.to_le_bytes());
            head[fmt + 4..fmt + 8].copy_from_slice(&16u32.to_le_bytes());
            let rate: [u8; 4] = bytes[fmt + 12..fmt + 16].try_into().unwrap();
            head.extend([3, 0, 1, 0]);
            head.extend(rate);
            head.extend((4 * u32::from_le_bytes(rate)).to_le_bytes());
            head.extend([4, 0, 32, 0]);
            head.extend_from_slice(&bytes[data..data + 4]);
            head.extend(4000u32.to_le_bytes());
            let odd = *dice.of(&[f32::NAN, f32::INFINITY, f32::NEG_INFINITY]);
            let sample = |i: usize| {
                if i == 300 {
                    odd
                } else {
                    (-(i as f32) / 50.0).exp()
                }
            };
            head.extend((0..1000).flat_map(|i| sample(i).to_le_bytes()));
            *bytes = head;
        }),
        refused("another rate at one angle", IMPULSES, |files, dice| {
            let bytes = wav(files, dice);
            let fmt = chunk(bytes, b"fmt ");
            let rate = *dice.of(&[44_100u32, 96_000, 8_000]);
            bytes[fmt + 12..fmt + 16].copy_from_slice(&rate.to_le_bytes());
        }),
        refused(
            "a folder for a sound file",
            &["loopback sound", "sound file"],
            |files, dice| {
                *wav(files, dice) = FOLDER.to_vec();
            },
        ),
        refused("a SOFA file cut off", SOFA, |files, dice| {
            let size = files[0].1.len();
            let kept = dice.below(size * 9 / 10);
            files[0].1.truncate(kept);
        }),
        refused(
            "a SOFA file that is another kind of file",
            SOFA,
            |files, dice| {
                let starts: [&[u8]; 6] = [
                    b"CDF\x01\0\0\0\0\0\0\0\0",
                    b"CDF\x02\0\0\0\0\0\0\0\0\0\0\0\0",
                    b"\x89HDF\r\n\x1a\n",
                    b"",
                    b"freq_hz,0\n20,1\n",
                    b"MATLAB 5.0 MAT-file, Platform: none",
                ];
                files[0].1 = dice.of(&starts).to_vec();
            },
        ),
        Mistake {
            must_be_refused: false,
            ..refused(
                "a SOFA file with sizes that are not true",
                SOFA,
                |files, dice| {
                    // Sizes stand in the headers as 64-bit numbers of 12 and 40, the receivers and
                    // frequencies.
                    let bytes = &mut files[0].1;
                    let wanted = *dice.of(&[12u64, 40, 3, 1]);
                    let places: Vec<usize> = bytes
                        .windows(8)
                        .enumerate()
                        .filter(|(_, w)| **w == wanted.to_le_bytes())
                        .map(|(i, _)| i)
                        .collect();
                    if !places.is_empty() {
                        let at = *dice.of(&places);
                        let size = *dice.of(&[
                            0u64,
                            2,
                            41,
                            1 << 20,
                            1 << 31,
                            1 << 40,
                            u64::MAX,
                            u64::MAX >> 1,
                        ]);
                        bytes[at..at + 8].copy_from_slice(&size.to_le_bytes());
                    }
                },
            )
        },
        refused("SOFA values that cannot be", SOFA, |files, dice| {
            let odd = *dice.of(&[f64::NAN, f64::INFINITY, 1e300, -1e300]);
            let name = *dice.of(&[
                "Data.Real",
                "Data.Imag",
                "ReceiverPosition",
                "N",
                "SourceView",
                "SourcePosition",
            ]);
            sofa(files, |sofa| {
                let values = &mut variable(sofa, name).values;
                let at = dice.below(values.len());
                values[at] = odd;
            });
        }),
        refused("SOFA frequencies that cannot be", SOFA, |files, dice| {
            let which = dice.below(5);
            sofa(files, |sofa| {
                let n = variable(sofa, "N");
                match which {
                    0 => n.values[5] = -100.0,
                    1 => n.values[5] = n.values[4],
                    2 => n.values.fill(1000.0),
                    3 => n.attributes = vec![("Units", "furlong")],
                    _ => n.values.fill(0.0),
                }
            });
        }),
        refused("a SOFA file that lacks something", SOFA, |files, dice| {
            let name = *dice.of(&["Data.Real", "Data.Imag", "ReceiverPosition", "N"]);
            sofa(files, |sofa| sofa.variables.retain(|v| v.name != name));
        }),
        Mistake {
            // Dimensions are told by their names, so that another order is no mistake.
            must_be_refused: false,
            ..refused(
                "a SOFA variable of dimensions in another order",
                SOFA,
                |files, dice| {
                    let real = dice.below(2) == 0;
                    sofa(files, |sofa| match real {
                        true => {
                            *variable(sofa, "Data.Real") =
                                var("Data.Real", &["R", "N"], vec![1.0; 480])
                        }
                        false => {
                            *variable(sofa, "Data.Imag") =
                                var("Data.Imag", &["M", "N", "R"], vec![0.0; 480])
                        }
                    });
                },
            )
        },
        refused(
            "a SOFA variable of other dimensions",
            SOFA,
            |files, dice| {
                let which = dice.below(3);
                sofa(files, |sofa| match which {
                    0 => {
                        *variable(sofa, "ReceiverPosition") =
                            var("ReceiverPosition", &["R", "I"], vec![1.0; 12])
                    }
                    1 => {
                        *variable(sofa, "Data.Real") = var("Data.Real", &["M", "R"], vec![1.0; 12])
                    }
                    _ => {
                        *variable(sofa, "Data.Imag") = var("Data.Imag", &["R", "C"], vec![0.0; 36])
                    }
                });
            },
        ),
        refused("a SOFA file of another kind", SOFA, |files, dice| {
            let which = dice.below(4);
            let convention = *dice.of(&[
                "SimpleFreeFieldHRIR",
                "SingleRoomSRIR",
                "",
                "freefielddirectivitytf",
                "GeneralSOS",
            ]);
            sofa(files, |sofa| match which {
                0 => sofa.data_type = "SOS",
                1 => sofa.data_type = "FIR",
                _ => sofa.convention = convention,
            });
        }),
        refused("SOFA positions that cannot be", SOFA, |files, dice| {
            let which = dice.below(5);
            sofa(files, |sofa| {
                if which == 0 {
                    let view = variable(sofa, "SourceView").values.clone();
                    variable(sofa, "SourceUp").values = view;
                    return;
                }
                let places = variable(sofa, "ReceiverPosition");
                match which {
                    // All above the speaker; all in one place; in no unit; of no kind.
                    1 => places.values.chunks_mut(3).for_each(|p| p[1] = 90.0),
                    2 => places.values.chunks_mut(3).for_each(|p| p[2] = 0.0),
                    3 => {
                        places.attributes =
                            vec![("Type", "spherical"), ("Units", "cubit, cubit, cubit")]
                    }
                    _ => places.attributes = vec![("Type", "cylindrical"), ("Units", "metre")],
                }
            });
        }),
        refused("a SOFA file that is silent", SOFA, |files, _| {
            sofa(files, |sofa| variable(sofa, "Data.Real").values.fill(0.0));
        }),
        refused("a folder for a SOFA file", SOFA, |files, _| {
            files[0].1 = FOLDER.to_vec();
        }),
    ]
}
