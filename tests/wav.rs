//! Sound files: read against an independent writer and against headers built byte by byte;
//! written for an independent reader; damaged without end.

use planish::wav::{Cut, Format, Reader, Sample, Writer, read_whole};
use std::io::{Cursor, Seek, SeekFrom, Write};
use std::path::Path;

fn format(sample: Sample, channels: u16) -> Format {
    Format {
        rate_hz: 48_000,
        channels,
        sample,
        channel_mask: 0,
    }
}

/// A file from its chunks, each with the pad byte that the specification wants.
fn riff(chunks: &[(&[u8; 4], &[u8])]) -> Vec<u8> {
    let mut body = Vec::from(*b"WAVE");
    for (name, content) in chunks {
        body.extend(*name);
        body.extend((content.len() as u32).to_le_bytes());
        body.extend(*content);
        body.extend(vec![0; content.len() % 2]);
    }
    let mut file = Vec::from(*b"RIFF");
    file.extend((body.len() as u32).to_le_bytes());
    file.extend(body);
    file
}

/// Content of a `fmt ` chunk of 16 bytes.
fn fmt(tag: u16, channels: u16, bits: u16) -> Vec<u8> {
    let frame = channels * bits.div_ceil(8);
    let mut out = Vec::new();
    out.extend(tag.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(48_000u32.to_le_bytes());
    out.extend((48_000 * u32::from(frame)).to_le_bytes());
    out.extend(frame.to_le_bytes());
    out.extend(bits.to_le_bytes());
    out
}

/// Four 16-bit samples and what they mean.
const FOUR: [u8; 8] = [0x00, 0x00, 0x00, 0x40, 0x00, 0x80, 0xff, 0x7f];
const FOUR_MEAN: [f64; 4] = [0.0, 0.5, -1.0, 32_767.0 / 32_768.0];

struct Read {
    frames: Vec<f64>,
    cut: Option<Cut>,
}

fn read(bytes: &[u8]) -> planish::Result<Read> {
    let mut reader = Reader::new(Path::new("take.wav"), Cursor::new(bytes))?;
    let (mut frames, mut block) = (Vec::new(), Vec::new());
    while reader.read(&mut block, 3)? > 0 {
        frames.extend_from_slice(&block);
    }
    let ending = reader.ending().expect("known after the last read");
    let channels = u64::from(reader.format().channels);
    assert_eq!(frames.len() as u64, ending.frames * channels);
    Ok(Read {
        frames,
        cut: ending.cut,
    })
}

fn frames(bytes: &[u8]) -> Vec<f64> {
    let read = read(bytes).unwrap();
    assert_eq!(read.cut, None);
    read.frames
}

fn message(bytes: &[u8]) -> String {
    match read(bytes) {
        Ok(_) => panic!("this file should be refused"),
        Err(error) => error.to_string(),
    }
}

#[test]
fn integers_of_all_sizes_and_both_floats_are_read_to_the_bit() {
    let files: [(u16, u16, Vec<u8>, Vec<f64>); 7] = [
        (1, 8, vec![0, 128, 255], vec![-1.0, 0.0, 127.0 / 128.0]),
        (1, 16, FOUR.to_vec(), FOUR_MEAN.to_vec()),
        (
            1,
            24,
            vec![0, 0, 0x80, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f],
            vec![-1.0, -1.0 / 8_388_608.0, 8_388_607.0 / 8_388_608.0],
        ),
        // 20 valid bits are the upper ones of three bytes.
        (1, 20, vec![0x10, 0, 0], vec![16.0 / 8_388_608.0]),
        (
            1,
            32,
            [i32::MIN, 1, i32::MAX].map(i32::to_le_bytes).concat(),
            vec![
                -1.0,
                1.0 / 2_147_483_648.0,
                2_147_483_647.0 / 2_147_483_648.0,
            ],
        ),
        (
            3,
            32,
            [0.1f32, -3.5].map(f32::to_le_bytes).concat(),
            vec![f64::from(0.1f32), -3.5],
        ),
        (
            3,
            64,
            [0.1f64, -1e40].map(f64::to_le_bytes).concat(),
            vec![0.1, -1e40],
        ),
    ];
    for (tag, bits, data, mean) in files {
        let file = riff(&[(b"fmt ", &fmt(tag, 1, bits)), (b"data", &data)]);
        assert_eq!(frames(&file), mean, "tag {tag}, {bits} bits");
    }
}

/// The samples of an independent writer.
fn by_hound(spec: hound::WavSpec, samples: &[i32]) -> Vec<u8> {
    let mut file = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
    for sample in samples {
        match spec.sample_format {
            hound::SampleFormat::Int => writer.write_sample(*sample).unwrap(),
            hound::SampleFormat::Float => writer
                .write_sample((f64::from(*sample) / 8_388_608.0) as f32)
                .unwrap(),
        }
    }
    writer.finalize().unwrap();
    file.into_inner()
}

/// Values that fill `bits`, made by a linear congruential generator (Numerical Recipes' constants).
fn noise(bits: u16, count: usize) -> Vec<i32> {
    let mut state = 12_345u32;
    (0..count)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state as i32) >> (32 - bits)
        })
        .collect()
}

#[test]
fn files_of_an_independent_writer_are_read_to_the_bit() {
    use hound::SampleFormat::{Float, Int};
    for channels in [1, 2, 5] {
        for (sample_format, bits) in [(Int, 8), (Int, 16), (Int, 24), (Int, 32), (Float, 32)] {
            let spec = hound::WavSpec {
                channels,
                sample_rate: 44_100,
                bits_per_sample: bits,
                sample_format,
            };
            let held = if sample_format == Float { 24 } else { bits };
            let samples = noise(held, usize::from(channels) * 211);
            let mean: Vec<f64> = samples
                .iter()
                .map(|s| f64::from(*s) / f64::from(held - 1).exp2())
                .collect();
            let file = by_hound(spec, &samples);
            let reader = Reader::new(Path::new("take.wav"), file.as_slice()).unwrap();
            assert_eq!(reader.format().rate_hz, 44_100);
            assert_eq!(reader.format().channels, channels);
            assert_eq!(reader.declared_frames(), Some(211));
            assert_eq!(frames(&file), mean, "{channels} channels, {bits} bits");
        }
    }
}

fn written(format: Format, announced: Option<u64>, samples: &[f64]) -> Vec<u8> {
    let sink = Cursor::new(Vec::new());
    let mut writer = Writer::new(Path::new("out.wav"), sink, format, announced).unwrap();
    for part in samples.chunks(usize::from(format.channels) * 7) {
        assert_eq!(writer.write(part).unwrap(), 0);
    }
    writer.finish().unwrap().into_inner()
}

#[test]
fn an_independent_reader_understands_what_is_written() {
    for channels in [1, 2, 3, 8] {
        for (sample, bits) in [
            (Sample::I16, 16u16),
            (Sample::I24, 24),
            (Sample::I32, 32),
            (Sample::F32, 24),
        ] {
            for mask in [0, 0b11] {
                // An odd number of frames makes 24-bit mono data odd.
                let samples = noise(bits, usize::from(channels) * 101);
                let mean: Vec<f64> = samples
                    .iter()
                    .map(|s| f64::from(*s) / f64::from(bits - 1).exp2())
                    .collect();
                let format = Format {
                    channel_mask: mask,
                    ..format(sample, channels)
                };
                for announced in [Some(101), None] {
                    let file = written(format, announced, &mean);
                    let riff_bytes = u32::from_le_bytes(file[4..8].try_into().unwrap());
                    assert_eq!(riff_bytes as usize, file.len() - 8);
                    assert_eq!(frames(&file), mean);
                    let mut reader = hound::WavReader::new(Cursor::new(&file)).unwrap();
                    assert_eq!(reader.spec().channels, channels);
                    assert_eq!(reader.duration(), 101);
                    if sample.is_float() {
                        let back: Vec<f64> = reader
                            .samples::<f32>()
                            .map(|s| f64::from(s.unwrap()))
                            .collect();
                        assert_eq!(back, mean);
                    } else {
                        let back: Vec<i32> = reader.samples::<i32>().map(|s| s.unwrap()).collect();
                        assert_eq!(back, samples, "{sample}, {channels} channels");
                    }
                }
            }
        }
    }
}

#[test]
fn a_plain_file_has_the_plain_header_of_44_bytes() {
    let file = written(format(Sample::I16, 2), Some(1), &[0.0, 0.5]);
    assert_eq!(file.len(), 48);
    assert_eq!(&file[12..16], b"fmt ");
    assert_eq!(&file[36..40], b"data");
    assert_eq!(file[40..], [4, 0, 0, 0, 0, 0, 0, 0x40]);
}

#[test]
fn odd_chunks_before_the_sound_are_skipped_with_their_pad_byte() {
    let format = fmt(1, 1, 16);
    let around = riff(&[
        (b"JUNK", &[0; 27]),
        (b"bext", &[b'x'; 603]),
        (b"fmt ", &format),
        (b"LIST", b"INFOIART\x01\0\0\0a"),
        (b"data", &FOUR),
        (b"LIST", b"INFOIART\x01\0\0\0a"),
    ]);
    assert_eq!(frames(&around), FOUR_MEAN);
}

#[test]
fn an_odd_chunk_without_its_pad_byte_is_understood() {
    let mut file = riff(&[(b"fmt ", &fmt(1, 1, 16))]);
    file.extend(b"LIST\x05\0\0\0INFOx");
    file.extend(b"data\x08\0\0\0");
    file.extend(FOUR);
    assert_eq!(frames(&file), FOUR_MEAN);
    // And one whose pad byte is a letter.
    let mut file = riff(&[(b"fmt ", &fmt(1, 1, 16))]);
    file.extend(b"LIST\x05\0\0\0INFOxZ");
    file.extend(b"data\x08\0\0\0");
    file.extend(FOUR);
    assert_eq!(frames(&file), FOUR_MEAN);
}

#[test]
fn a_size_that_was_never_filled_in_means_up_to_the_end_of_the_file() {
    for size in [0u32, u32::MAX] {
        for whole in [true, false] {
            let mut file = riff(&[(b"fmt ", &fmt(1, 1, 16)), (b"data", &FOUR)]);
            let at = file.len() - 12;
            file[at..at + 4].copy_from_slice(&size.to_le_bytes());
            if !whole {
                file[4..8].copy_from_slice(&size.to_le_bytes());
            }
            let reader = Reader::new(Path::new("take.wav"), file.as_slice()).unwrap();
            assert_eq!(reader.declared_frames(), None);
            assert_eq!(frames(&file), FOUR_MEAN, "{size}");
        }
    }
}

#[test]
fn a_file_without_sound_has_none_even_when_other_chunks_follow() {
    assert!(frames(&riff(&[(b"fmt ", &fmt(1, 1, 16)), (b"data", b"")])).is_empty());
    let followed = riff(&[
        (b"fmt ", &fmt(1, 1, 16)),
        (b"data", b""),
        (b"LIST", b"INFO"),
    ]);
    assert!(frames(&followed).is_empty());
}

#[test]
fn rf64_and_bw64_take_the_size_from_ds64() {
    for name in [b"RF64", b"BW64"] {
        let mut ds64 = Vec::new();
        for size in [0u64, 6, 3] {
            ds64.extend(size.to_le_bytes());
        }
        ds64.extend([0; 4]);
        let mut file = riff(&[
            (b"ds64", &ds64),
            (b"fmt ", &fmt(1, 1, 16)),
            (b"data", &FOUR),
        ]);
        file[..4].copy_from_slice(name);
        file[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
        let at = file.len() - 12;
        file[at..at + 4].copy_from_slice(&u32::MAX.to_le_bytes());
        assert_eq!(frames(&file), FOUR_MEAN[..3], "ds64 declares 6 bytes");
    }
}

#[test]
fn a_file_cut_short_is_read_as_far_as_it_goes_and_says_so() {
    let file = riff(&[(b"fmt ", &fmt(1, 2, 16)), (b"data", &FOUR)]);
    let cut = read(&file[..file.len() - 3]).unwrap();
    assert_eq!(cut.frames, FOUR_MEAN[..2]);
    assert_eq!(cut.cut, Some(Cut::Truncated { missing_bytes: 3 }));
    // A size that is no multiple of the frame is another thing.
    let file = riff(&[(b"fmt ", &fmt(1, 2, 16)), (b"data", &FOUR[..7])]);
    let part = read(&file).unwrap();
    assert_eq!(part.frames, FOUR_MEAN[..2]);
    assert_eq!(part.cut, Some(Cut::PartOfAFrame { bytes: 3 }));
}

#[test]
fn a_declared_size_costs_no_memory() {
    // 4 GB declared, 8 bytes there; asked for a billion frames at a time.
    let mut file = riff(&[(b"fmt ", &fmt(1, 1, 16)), (b"data", &FOUR)]);
    let at = file.len() - 12;
    file[at..at + 4].copy_from_slice(&0xffff_fff0u32.to_le_bytes());
    let mut reader = Reader::new(Path::new("take.wav"), file.as_slice()).unwrap();
    let mut block = Vec::new();
    assert_eq!(reader.read(&mut block, 1_000_000_000).unwrap(), 4);
    assert!(block.capacity() < 1_000_000);
}

/// An extended format: 24-bit containers, `valid` bits, three channels.
fn extended(valid: u16, tag: u16, tail: u8) -> Vec<u8> {
    let mut out = fmt(0xfffe, 3, 24);
    out.extend(22u16.to_le_bytes());
    out.extend(valid.to_le_bytes());
    out.extend(7u32.to_le_bytes());
    out.extend(tag.to_le_bytes());
    // KSDATAFORMAT_SUBTYPE_PCM, 00000001-0000-0010-8000-00aa00389b71.
    out.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, tail]);
    out
}

#[test]
fn the_extended_format_gives_tag_and_loudspeakers() {
    let file = riff(&[
        (b"fmt ", &extended(20, 1, 0x71)),
        (b"data", &[0, 0, 0x40, 0, 0, 0x80, 0x10, 0, 0]),
    ]);
    let reader = Reader::new(Path::new("take.wav"), file.as_slice()).unwrap();
    assert_eq!(reader.format().channel_mask, 7);
    assert_eq!(reader.format().sample, Sample::I24);
    assert_eq!(frames(&file), [0.5, -1.0, 16.0 / 8_388_608.0]);
}

#[test]
fn errors_name_file_byte_what_was_found_what_was_expected_and_what_to_do() {
    assert_eq!(
        message(b"RIFX\0\0\0\0WAVE"),
        "take.wav: found \"RIFX\" at byte 0, expected \"RIFF\", \"RF64\" or \"BW64\"\n  hint: big-endian files are not read; save it as an ordinary WAV file"
    );
    assert_eq!(
        message(b"RIFF\0\0\0\0AVI "),
        "take.wav: found \"AVI \" at byte 8, expected \"WAVE\"\n  hint: this is a RIFF file, but not one of sound"
    );
    assert_eq!(
        message(&riff(&[(b"fmt ", &fmt(6, 1, 8)), (b"data", &FOUR)])),
        "take.wav: found the format tag 0x0006 (sound stored in a compressed way) at byte 20, expected 1 (integers) or 3 (floating point)\n  hint: decode the file to plain WAV first"
    );
    let cases: [(&str, Vec<u8>); 13] = [
        ("the end of the file at byte 0", Vec::new()),
        (
            "the end of the file at byte 36, expected a \"data\"",
            riff(&[(b"fmt ", &fmt(1, 1, 16))]),
        ),
        (
            "the end of the file at byte 12, expected a \"fmt \"",
            riff(&[]),
        ),
        ("\"data\" at byte 12", riff(&[(b"data", &FOUR)])),
        ("0 channels at byte 22", riff(&[(b"fmt ", &fmt(1, 0, 16))])),
        (
            "12 bits in a sample at byte 34",
            riff(&[(b"fmt ", &fmt(3, 1, 12))]),
        ),
        (
            "a format of 14 bytes at byte 16",
            riff(&[(b"fmt ", &[1; 14])]),
        ),
        (
            "a format of 16 bytes at byte 16",
            riff(&[(b"fmt ", &fmt(0xfffe, 1, 16))]),
        ),
        (
            "25 valid bits at byte 38",
            riff(&[(b"fmt ", &extended(25, 1, 0x71))]),
        ),
        (
            "an unknown sub-format at byte 44",
            riff(&[(b"fmt ", &extended(24, 1, 0x72))]),
        ),
        (
            "the format tag 0x0002",
            riff(&[(b"fmt ", &extended(24, 2, 0x71))]),
        ),
        (
            "a frame of 5 bytes at byte 32, expected 2 for 1 channels of 16 bits",
            {
                let mut wrong = fmt(1, 1, 16);
                wrong[12] = 5;
                riff(&[(b"fmt ", &wrong)])
            },
        ),
        ("a rate of 0 Hz at byte 24", {
            let mut wrong = fmt(1, 1, 16);
            wrong[4..8].fill(0);
            riff(&[(b"fmt ", &wrong)])
        }),
    ];
    for (part, file) in cases {
        let message = message(&file);
        assert!(message.starts_with("take.wav: found "), "{message}");
        assert!(message.contains(part), "{part}: {message}");
    }
    let data: Vec<u8> = [0.5f32, 0.5, 0.5, f32::NAN].map(f32::to_le_bytes).concat();
    let message = message(&riff(&[(b"fmt ", &fmt(3, 2, 32)), (b"data", &data)]));
    assert!(
        message.contains("the sample NaN at byte 56 (0.000 s, channel 2)"),
        "{message}"
    );
    // A number, but no sound: its square would not be one any more. Found by fuzzing.
    let data: Vec<u8> = [0.5, -1e160].map(f64::to_le_bytes).concat();
    let message = crate::message(&riff(&[(b"fmt ", &fmt(3, 1, 64)), (b"data", &data)]));
    assert!(
        message.contains("expected a number between -1e50 and 1e50"),
        "{message}"
    );
}

#[test]
fn no_damage_makes_the_reader_fall_over() {
    let format = fmt(1, 1, 16);
    let sound = riff(&[
        (b"bext", &[b'x'; 5]),
        (b"fmt ", &extended(20, 1, 0x71)),
        (b"fmt ", &format),
        (b"data", &FOUR),
    ]);
    let mut read_at_all = 0;
    for length in 0..sound.len() {
        read_at_all += usize::from(read(&sound[..length]).is_ok());
    }
    for at in 0..sound.len() {
        for value in 0..=255 {
            let mut damaged = sound.clone();
            damaged[at] = value;
            read_at_all += usize::from(read(&damaged).is_ok());
        }
    }
    assert!(read_at_all > 1000, "much of the damage is harmless");
}

#[test]
fn a_whole_file_is_read_by_channels_unless_it_is_too_long() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    std::fs::write(&path, written(format(Sample::I16, 2), Some(2), &FOUR_MEAN)).unwrap();
    let recording = read_whole(&path, 2).unwrap();
    assert_eq!(recording.channel(1), [0.5, FOUR_MEAN[3]]);
    assert!(recording.channel(2).is_empty());
    assert_eq!((recording.ending.frames, recording.ending.cut), (2, None));
    let message = read_whole(&path, 1).unwrap_err().to_string();
    assert!(message.contains("more than 1 frames"), "{message}");
    assert!(read_whole(&dir.path().join("b.wav"), 1).is_err());
}

#[test]
fn wrong_calls_of_the_writer_are_refused() {
    let new = |format| Writer::new(Path::new("o.wav"), Cursor::new(Vec::new()), format, None);
    assert!(new(format(Sample::I16, 0)).is_err());
    assert!(new(format(Sample::I32, 20_000)).is_err());
    let mut writer = new(format(Sample::I16, 2)).unwrap();
    assert!(writer.write(&[0.0]).is_err());
    assert!(writer.write(&[0.0, f64::NAN]).is_err());
    assert_eq!(writer.write(&[2.0, 0.0]).unwrap(), 1, "one sample was cut");
}

/// Keeps the beginning, counts the rest.
struct Beginning {
    kept: Vec<u8>,
    at: u64,
    length: u64,
}

impl Write for Beginning {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        for (offset, byte) in (self.at..).zip(bytes) {
            match self.kept.get_mut(offset as usize) {
                Some(kept) => *kept = *byte,
                None => break,
            }
        }
        self.at += bytes.len() as u64;
        self.length = self.length.max(self.at);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Seek for Beginning {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.at = match to {
            SeekFrom::Start(at) => at,
            SeekFrom::End(back) => self.length.checked_add_signed(back).unwrap(),
            SeekFrom::Current(by) => self.at.checked_add_signed(by).unwrap(),
        };
        Ok(self.at)
    }
}

#[test]
fn above_4_gib_the_file_becomes_rf64_with_the_sizes_in_ds64() {
    let sink = Beginning {
        kept: vec![0; 200],
        at: 0,
        length: 0,
    };
    let format = format(Sample::I32, 64);
    let block = vec![0.25; 64 * 4096];
    // 4 GiB are 2^32 bytes; a block has 2^20.
    let blocks = 4097u64;
    let mut writer = Writer::new(Path::new("o.wav"), sink, format, Some(blocks * 4096)).unwrap();
    for _ in 0..blocks {
        writer.write(&block).unwrap();
    }
    let sink = writer.finish().unwrap();
    let data_bytes = blocks << 20;
    let kept = &sink.kept;
    assert_eq!(&kept[..4], b"RF64");
    assert_eq!(&kept[12..16], b"ds64");
    let long = |at: usize| u64::from_le_bytes(kept[at..at + 8].try_into().unwrap());
    assert_eq!(long(20), sink.length - 8);
    assert_eq!(long(28), data_bytes);
    assert_eq!(long(36), blocks * 4096);
    assert_eq!(kept[4..8], [0xff; 4]);
    let header = sink.length - data_bytes;
    let reader = Reader::new(Path::new("o.wav"), &kept[..header as usize]).unwrap();
    assert_eq!(reader.declared_frames(), Some(blocks * 4096));
    assert_eq!(reader.format(), format);

    // Without the announcement there is no room for that.
    let sink = Beginning {
        kept: vec![0; 200],
        at: 0,
        length: 0,
    };
    let mut writer = Writer::new(Path::new("o.wav"), sink, format, Some(10)).unwrap();
    let refused = (0..blocks).find(|_| writer.write(&block).is_err());
    assert_eq!(refused, Some(4095));
}
