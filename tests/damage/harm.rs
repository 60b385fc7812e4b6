//! Damage at random: to bytes, to numbers, to lines, to whole files.

use super::sound::{Kind, Use};
use std::fs;
use std::path::Path;

/// SplitMix64. Source: Steele, Lea, Flood 2014, OOPSLA, fig. 17.
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, count: usize) -> usize {
        (self.next() % count.max(1) as u64) as usize
    }

    fn of<'a, T: ?Sized>(&mut self, all: &[&'a T]) -> &'a T {
        all[self.below(all.len())]
    }
}

/// What may stand in the place of a number.
const NUMBERS: [&[u8]; 26] = [
    b"nan",
    b"NaN",
    b"inf",
    b"-inf",
    b"1e308",
    b"-1e308",
    b"1e309",
    b"5e-324",
    b"1e-310",
    b"0",
    b"-0",
    b"-1",
    b"0x10",
    b"1_000",
    b"1e",
    b"--3",
    b"+",
    b"",
    b"99999999999999999999999",
    b"1.2.3",
    b"1,5",
    "١٢".as_bytes(),
    "−3".as_bytes(),
    b"1e5000",
    b"300",
    b"1e7",
];

/// What may stand in the place of a word.
const WORDS: [&[u8]; 14] = [
    b"\0",
    b"../../etc/passwd",
    b"/etc/passwd",
    b"{angle}",
    b"{angle}{angle}",
    b"\"\"\"",
    b"[orbits]",
    b"[[a]]",
    b"freq_hz",
    b"\xEF\xBB\xBF",
    b"\xFF\xFE",
    "\u{202e}".as_bytes(),
    b"a.b.c = {",
    b"\r",
];

/// Writes the files of a kind, damaged, into `dir`; what was done.
pub fn harmed(kind: &Kind, dir: &Path, dice: &mut Dice) -> Vec<String> {
    let mut files = kind.files.clone();
    let mut told = Vec::new();
    for _ in 0..=dice.below(3) {
        let at = if dice.below(2) == 0 {
            0
        } else {
            dice.below(files.len())
        };
        told.push(if dice.below(12) == 0 {
            whole(&mut files, at, dice)
        } else {
            let (name, bytes) = &mut files[at];
            let what = match dice.below(5) {
                0 | 1 => bytes_of(bytes, dice),
                2 => number(bytes, dice),
                3 => lines(bytes, dice),
                _ => word(bytes, dice),
            };
            format!("{name}: {what}")
        });
    }
    for (name, bytes) in &mut files {
        if kind.used == (Use::List { renewed: true }) && name == "filters.txt" {
            renew(bytes);
        }
        if name.is_empty() {
            continue;
        }
        let path = dir.join(&*name);
        if bytes.as_slice() == FOLDER {
            fs::create_dir_all(path).unwrap();
        } else {
            fs::write(path, bytes).unwrap();
        }
    }
    told
}

/// Content that stands for a folder in the place of a file.
const FOLDER: &[u8] = b"\0a folder";

/// Damage to a whole file.
fn whole(files: &mut Vec<(String, Vec<u8>)>, at: usize, dice: &mut Dice) -> String {
    let other = dice.below(files.len());
    let name = files[at].0.clone();
    match dice.below(8) {
        0 => files[at].0 = String::new(),
        1 => files[at].1.clear(),
        2 => files[at].1 = FOLDER.to_vec(),
        3 => {
            let bytes = files[other].1.clone();
            files[at].1 = bytes;
        }
        4 => {
            let copy = (format!("copy of {name}"), files[at].1.clone());
            files.push(copy);
        }
        5 => files[at].0 = name.to_uppercase(),
        6 => {
            let doubled = files[at].1.repeat(2);
            files[at].1 = doubled;
        }
        _ => {
            let length = dice.below(4096);
            files[at].1 = (0..length).map(|_| dice.next() as u8).collect();
        }
    }
    format!("{name} as a whole")
}

fn bytes_of(bytes: &mut Vec<u8>, dice: &mut Dice) -> &'static str {
    let at = dice.below(bytes.len());
    let to = (at + 1 + dice.below(24)).min(bytes.len());
    let at = at.min(to);
    match dice.below(7) {
        0 => {
            bytes.truncate(at);
            "cut off"
        }
        1 => {
            drop(bytes.drain(at..to));
            "a piece gone"
        }
        2 => {
            let piece = bytes[at..to].to_vec();
            bytes.splice(at..at, piece);
            "a piece doubled"
        }
        3 => {
            bytes[at..to]
                .iter_mut()
                .for_each(|byte| *byte = dice.next() as u8);
            "a piece overwritten"
        }
        4 => {
            let fill = [0, 0xFF, b'9', b' '][dice.below(4)];
            bytes[at..to].fill(fill);
            "a piece blotted out"
        }
        5 => {
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1 << dice.below(8);
            }
            "a bit turned"
        }
        _ => {
            // Where the structure of binary files is.
            let at = dice.below(bytes.len().min(600));
            if let Some(byte) = bytes.get_mut(at) {
                *byte = [0, 1, 0x7F, 0x80, 0xFF, 0xFE][dice.below(6)];
            }
            "a byte of the head"
        }
    }
}

/// The stretches of bytes for which `is` holds.
fn stretches(bytes: &[u8], is: impl Fn(u8) -> bool) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut start = None;
    for (i, byte) in bytes.iter().chain([&b'\n']).enumerate() {
        match (is(*byte) && i < bytes.len(), start) {
            (true, None) => start = Some(i),
            (false, Some(from)) => {
                found.push((from, i));
                start = None;
            }
            _ => {}
        }
    }
    found
}

fn number(bytes: &mut Vec<u8>, dice: &mut Dice) -> &'static str {
    let numbers = stretches(bytes, |b| b.is_ascii_digit() || b"+-.e".contains(&b));
    if let Some((from, to)) = numbers.get(dice.below(numbers.len())) {
        bytes.splice(from..to, dice.of(&NUMBERS).iter().copied());
    }
    "another number"
}

fn word(bytes: &mut Vec<u8>, dice: &mut Dice) -> &'static str {
    let words = stretches(bytes, |b| b.is_ascii_alphabetic() || b == b'_');
    if let Some((from, to)) = words.get(dice.below(words.len())).copied() {
        if dice.below(3) == 0 {
            bytes.splice(from..to, dice.of(&WORDS).iter().copied());
        } else {
            // A stroke of the keyboard.
            let at = from + dice.below(to - from);
            match dice.below(3) {
                0 => drop(bytes.remove(at)),
                1 => bytes.insert(at, b'a' + dice.below(26) as u8),
                _ => bytes[at] = b'a' + dice.below(26) as u8,
            }
        }
    }
    "another word"
}

fn lines(bytes: &mut Vec<u8>, dice: &mut Dice) -> &'static str {
    let mut lines: Vec<Vec<u8>> = bytes
        .split_inclusive(|b| *b == b'\n')
        .map(<[u8]>::to_vec)
        .collect();
    if lines.is_empty() {
        return "no line to harm";
    }
    let (at, other) = (dice.below(lines.len()), dice.below(lines.len()));
    match dice.below(5) {
        0 => drop(lines.remove(at)),
        1 => lines.insert(at, lines[other].clone()),
        2 => lines.swap(at, other),
        3 => {
            // Its last field gone.
            let line = &mut lines[at];
            let cut = line
                .iter()
                .rposition(|b| b",;\t= ".contains(b))
                .unwrap_or(0);
            line.truncate(cut);
            line.push(b'\n');
        }
        _ => {
            let extra = [&b",1\n"[..], b";;\n", b" x\n", b"\n\n", b"\t7\t7\n"][dice.below(5)];
            let line = &mut lines[at];
            while line.last().is_some_and(|b| b"\r\n".contains(b)) {
                line.pop();
            }
            line.extend_from_slice(extra);
        }
    }
    *bytes = lines.concat();
    "lines"
}

/// Gives a list the checksum of what it now holds, so that damage is not found by that alone.
fn renew(bytes: &mut Vec<u8>) {
    let Some(end) = bytes.windows(5).rposition(|w| w == b"\nend ") else {
        return;
    };
    let Some(at) = bytes.windows(6).rposition(|w| w == b"crc32=") else {
        return;
    };
    if at > end {
        let sum = format!("{:08x}", crc32fast::hash(&bytes[..=end]));
        bytes.truncate(at + 6);
        bytes.extend(sum.as_bytes());
        bytes.push(b'\n');
    }
}
