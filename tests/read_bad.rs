//! One wrong file of every kind, in `tests/data/bad`, named for what is wrong with it; every
//! message is asserted whole.

use planish::read::folder::read_speaker;
use planish::read::wanted;
use std::collections::BTreeSet;
use std::path::Path;

/// File and the message it must give, `tests/data/bad/` left out of both.
const TABLES: &[(&str, &str)] = &[
    (
        "absurd_gain.csv",
        "absurd_gain.csv:5:5: found \"1000\", expected a gain between -200 and 200 dB",
    ),
    (
        "eight_rows_but_six_frequencies.csv",
        "eight_rows_but_six_frequencies.csv:9:1: found 6 rows of numbers up to here, expected at least 8 with different frequencies",
    ),
    (
        "empty.csv",
        "empty.csv:1:1: found an empty file, expected a table with frequencies in its first column",
    ),
    (
        "field_empty.csv",
        "field_empty.csv:6:5: found an empty field, expected a gain in dB",
    ),
    (
        "field_missing.csv",
        "field_missing.csv:6:4: found 1 field, expected 2 as in line 1",
    ),
    (
        "field_too_many.csv",
        "field_too_many.csv:6:10: found 4 fields, expected 2 as in line 1",
    ),
    (
        "first_row_misspelt.csv",
        "first_row_misspelt.csv:1:1: found \"µ1oo\", expected a frequency in Hz",
    ),
    (
        "five_columns.csv",
        "five_columns.csv:1:9: found 5 fields, expected a frequency in Hz, a gain in dB, a weight (the last may be missing)",
    ),
    (
        "frequency_negative.csv",
        "frequency_negative.csv:4:1: found \"-400\", expected a frequency above 0 Hz and at most 10 MHz",
    ),
    (
        "frequency_repeated.csv",
        "frequency_repeated.csv:10:1: found 300 Hz again with another value than in line 3, expected every frequency once",
    ),
    (
        "frequency_zero.csv",
        "frequency_zero.csv:1:1: found \"0\", expected a frequency above 0 Hz and at most 10 MHz",
    ),
    (
        "infinite.csv",
        "infinite.csv:5:5: found \"-inf\", expected a gain in dB",
    ),
    (
        "kilohertz.csv",
        "kilohertz.csv:1:1: found \"kHz\", expected frequencies in Hz",
    ),
    (
        "latin_1.csv",
        "latin_1.csv:1:8: found the byte 0xB0, which is not UTF-8, expected UTF-8 text\n  hint: save the file as UTF-8",
    ),
    (
        "letter_o_after_crlf.csv",
        "letter_o_after_crlf.csv:12:1: found \"9OO\", expected a frequency in Hz",
    ),
    (
        "mac_line_ends.txt",
        "mac_line_ends.txt:7:1: found \"7oo\", expected a frequency in Hz",
    ),
    (
        "not_a_number.csv",
        "not_a_number.csv:5:6: found \"NaN\", expected a gain in dB",
    ),
    (
        "one_column.csv",
        "one_column.csv:1:4: found 1 field, expected a frequency in Hz, a gain in dB, a weight (the last may be missing)",
    ),
    (
        "only_blanks.csv",
        "only_blanks.csv:1:1: found an empty file, expected a table with frequencies in its first column",
    ),
    (
        "only_comments.csv",
        "only_comments.csv:2:1: found no row of numbers up to here, expected a table with frequencies in its first column",
    ),
    (
        "second_header.csv",
        "second_header.csv:6:1: found \"freq_hz\", expected a frequency in Hz",
    ),
    (
        "seven_rows.csv",
        "seven_rows.csv:7:1: found 7 rows of numbers up to here, expected at least 8 with different frequencies",
    ),
    (
        "too_large.csv",
        "too_large.csv:5:5: found \"1e999\", expected a gain in dB",
    ),
    (
        "two_decimal_signs.txt",
        "two_decimal_signs.txt:10:1: found \"1.000\", expected the decimal sign \",\" as in line 1",
    ),
    (
        "utf_16.csv",
        "utf_16.csv:1:1: found UTF-16 text, expected UTF-8 text\n  hint: save the file as UTF-8",
    ),
    (
        "weight_negative.csv",
        "weight_negative.csv:9:10: found \"-1\", expected a weight between 0 and 1e9",
    ),
    (
        "weights_all_zero.csv",
        "weights_all_zero.csv:9:1: found only weights of 0 up to here, expected at least one weight above 0",
    ),
    (
        "word_for_a_number.csv",
        "word_for_a_number.csv:6:5: found \"n/a\", expected a gain in dB",
    ),
];

/// Description of a speaker (without `.toml`) and the message it must give,
/// `tests/data/bad/speakers/` left out of both.
const SPEAKERS: &[(&str, &str)] = &[
    (
        "angle_a_turn_apart",
        "angle_a_turn_apart.csv:1:18: found \"350\", the direction of \"-10\" in column 9, expected every direction once",
    ),
    (
        "angle_file_of_phase",
        "phase_0.txt:1:6: found \"Phase\", expected a level in dB",
    ),
    (
        "angle_files_with_one_name",
        "h_10.txt: found horizontal 10 degrees, the direction of h_+10.txt, expected every direction once",
    ),
    (
        "angle_no_angle",
        "angle_no_angle.csv:1:13: found \"axis\", expected an angle on the horizontal orbit in degrees",
    ),
    (
        "angle_of_other_orbit",
        "angle_of_other_orbit.csv:1:13: found \"V+10\", expected an angle on the horizontal orbit in degrees",
    ),
    (
        "angle_twice",
        "angle_twice.csv:1:18: found \"+10\", the direction of \"10\" in column 15, expected every direction once",
    ),
    (
        "back_twice",
        "back_twice.csv:1:16: found \"180\", the direction of \"-180\" in column 9, expected every direction once",
    ),
    (
        "curves_misspelt",
        "curves_misspelt.csv:1:17: found \"listenig_window\", expected one of on_axis, listening_window, early_reflections, sound_power, early_reflections_di, sound_power_di, in_room\n  hint: the nearest known name is listening_window",
    ),
    (
        "curves_only_di",
        "curves_only_di.csv:1:1: found neither on_axis nor listening_window, expected at least one of the two",
    ),
    (
        "curves_twice",
        "curves_twice.csv:1:17: found \"on_axis\" a second time, expected every curve once",
    ),
    (
        "curves_without_table",
        "curves_without_table.toml:3:1: found no table in [curves], expected table = \"curves.csv\"",
    ),
    (
        "distance_zero",
        "distance_zero.toml:4:14: found 0, expected a distance_m above 0 m",
    ),
    (
        "evidence_missing",
        "evidence_missing.toml:6:13: found \"x.csv\", which does not exist, expected a file in the speaker folder",
    ),
    (
        "evidence_misspelt",
        "evidence_misspelt.toml:6:1: found the unknown key \"impedence\" in [evidence], expected one of impedance, distortion, compression, second_source, second_unit\n  hint: the nearest known key is impedance",
    ),
    (
        "file_absolute",
        "file_absolute.toml:4:14: found \"/etc/hostname\", expected a path inside the speaker folder",
    ),
    (
        "file_is_a_folder",
        "file_is_a_folder.toml:4:14: found \"folder\", expected a file in the speaker folder",
    ),
    (
        "file_misspelt",
        "file_misspelt.toml:4:14: found \"horizonal.csv\", which does not exist, expected a file in the speaker folder\n  hint: did you mean \"horizontal.csv\"?",
    ),
    (
        "file_outside",
        "file_outside.toml:4:14: found \"../empty.csv\", expected a path inside the speaker folder",
    ),
    (
        "header_too_short",
        "header_too_short.csv:2:10: found 3 fields, expected 2 as in the header in line 1",
    ),
    (
        "impedance_negative",
        "impedance_negative.csv:1:5: found \"-4\", expected an impedance above 0 and at most 1e6 ohm",
    ),
    (
        "key_twice",
        "key_twice.toml:5:1: found no valid TOML (duplicate key), expected lines of the form key = value",
    ),
    (
        "level_absurd",
        "level_absurd.csv:4:17: found \"-4000.25\", expected a level between -1000 and 1000 dB",
    ),
    (
        "name_blank",
        "name_blank.toml:2:8: found a blank name, expected name = \"...\"",
    ),
    (
        "name_is_a_number",
        "name_is_a_number.toml:2:8: found 5, expected a text in quotes",
    ),
    (
        "no_header",
        "no_header.csv:1:1: found numbers without a header above them, expected a header that names the columns, freq_hz first",
    ),
    (
        "no_measurement",
        "no_measurement.toml:1:1: found no measurement, expected one of [orbits], [angles], [impulses], [sofa] and [curves]",
    ),
    (
        "no_name",
        "no_name.toml:1:1: found no name in [speaker], expected name = \"...\"",
    ),
    (
        "no_speaker",
        "no_speaker.toml:1:1: found no section [speaker], expected [speaker] with a name",
    ),
    (
        "no_toml",
        "no_toml.toml:3:10: found no valid TOML (unclosed table, expected `]`), expected lines of the form key = value",
    ),
    (
        "nothing_in_common",
        "high.csv: found frequencies from 100000 Hz, expected at least 8 frequencies in common with horizontal.csv, which ends at 900 Hz",
    ),
    (
        "orbits_empty",
        "orbits_empty.toml:3:1: found no table in [orbits], expected horizontal = \"...\"",
    ),
    (
        "pattern_fits_nothing",
        "pattern_fits_nothing.toml:4:14: found \"hor_{angle}.txt\", expected a pattern that fits files of the speaker folder",
    ),
    (
        "pattern_in_no_folder",
        "pattern_in_no_folder.toml:4:14: found \"nowhere\", which does not exist, expected a folder in the speaker folder",
    ),
    (
        "pattern_outside",
        "pattern_outside.toml:4:14: found \"..\", expected a path inside the speaker folder",
    ),
    (
        "pattern_with_two_places",
        "pattern_with_two_places.toml:4:14: found \"{angle}_{angle}.txt\", expected a file name with {angle} in it once",
    ),
    (
        "pattern_without_place",
        "pattern_without_place.toml:4:14: found \"h_10.txt\", expected a file name with {angle} in it once",
    ),
    (
        "phase_alone",
        "phase_alone.toml:5:20: found horizontal_phase without horizontal, expected a table of levels for every table of phases",
    ),
    (
        "phase_fewer_angles",
        "phase_fewer_angles.csv:1:1: found no column for 10 degrees, expected the angles of horizontal.csv",
    ),
    (
        "phase_other_angles",
        "phase_other_angles.csv:1:9: found \"-20\", expected the angles of horizontal.csv",
    ),
    (
        "phase_other_frequencies",
        "phase_other_frequencies.csv:2:1: found \"101\", expected the frequencies of horizontal.csv",
    ),
    (
        "phase_too_short",
        "phase_too_short.csv:9:1: found 8 frequencies, expected the frequencies of horizontal.csv",
    ),
    (
        "second_unit_missing",
        "second_unit_missing.toml:6:15: found \"unit_b\", which does not exist, expected a folder in the speaker folder",
    ),
    (
        "second_unit_outside",
        "second_unit_outside.toml:6:15: found \"..\", expected a path inside the speaker folder",
    ),
    (
        "trusted_is_text",
        "trusted_is_text.toml:4:19: found \"300 Hz\", expected a number",
    ),
    (
        "trusted_negative",
        "trusted_negative.toml:4:19: found -3, expected a trusted_from_hz above 0 Hz",
    ),
    (
        "trusted_reversed",
        "trusted_reversed.toml:5:17: found 200, expected a trusted_to_hz above trusted_from_hz, 300",
    ),
    (
        "two_forms",
        "two_forms.toml:5:1: found [curves] beside [orbits], expected one of [orbits], [angles], [impulses], [sofa] and [curves]",
    ),
    (
        "unknown_key",
        "unknown_key.toml:4:1: found the unknown key \"distanze_m\" in [measured], expected one of distance_m, drive_v, trusted_from_hz, trusted_to_hz\n  hint: the nearest known key is distance_m",
    ),
    (
        "unknown_section",
        "unknown_section.toml:3:2: found the unknown section \"orbit\", expected one of speaker, measured, orbits, angles, impulses, sofa, curves, low_end, evidence\n  hint: the nearest known section is orbits",
    ),
];

fn in_folder(folder: &str, ending: &str) -> BTreeSet<String> {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_file() && path.to_string_lossy().ends_with(ending))
        .map(|path| path.file_name().unwrap().to_string_lossy().into_owned())
        .collect()
}

#[test]
fn wrong_tables_are_refused_with_their_place() {
    for (file, wanted) in TABLES {
        let path = Path::new("tests/data/bad").join(file);
        let message = wanted::read(&path).expect_err(file).to_string();
        assert_eq!(message.replace("tests/data/bad/", ""), *wanted, "{file}");
    }
    let listed: BTreeSet<String> = TABLES.iter().map(|(file, _)| file.to_string()).collect();
    assert_eq!(
        in_folder("tests/data/bad", ""),
        listed,
        "every file is tried"
    );
}

#[test]
fn wrong_speaker_folders_are_refused_with_their_place() {
    for (name, wanted) in SPEAKERS {
        let path = Path::new("tests/data/bad/speakers").join(format!("{name}.toml"));
        let message = read_speaker(&path).expect_err(name).to_string();
        assert_eq!(
            message.replace("tests/data/bad/speakers/", ""),
            *wanted,
            "{name}"
        );
    }
    let listed: BTreeSet<String> = SPEAKERS
        .iter()
        .map(|(name, _)| format!("{name}.toml"))
        .collect();
    assert_eq!(in_folder("tests/data/bad/speakers", ".toml"), listed);
}

/// SplitMix64. Source: Steele, Lea, Flood 2014, OOPSLA, fig. 17.
fn next(state: &mut u64) -> usize {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let z = (*state ^ (*state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 1) as usize
}

/// A few random cuts, doublings and changed bytes.
fn damaged(text: &str, state: &mut u64) -> Vec<u8> {
    const SPICE: &[u8] = b"\n\r,;\t .\"#-+0e9[]={}\\nN\xFF\xB0";
    let mut bytes = text.as_bytes().to_vec();
    for _ in 0..=next(state) % 4 {
        let at = next(state) % bytes.len().max(1);
        let to = (at + next(state) % 20).min(bytes.len());
        match next(state) % 4 {
            0 => drop(bytes.drain(at.min(to)..to)),
            1 => {
                let piece = bytes[at.min(to)..to].to_vec();
                bytes.splice(at.min(to)..at.min(to), piece);
            }
            2 => bytes.insert(at.min(bytes.len()), SPICE[next(state) % SPICE.len()]),
            _ => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = SPICE[next(state) % SPICE.len()];
                }
            }
        }
    }
    bytes
}

#[test]
fn damaged_folders_are_read_or_refused_but_never_break_the_reader() {
    let header = "freq_hz,-10,0,10,180\n";
    let rows: String = (1..12)
        .map(|i| format!("{}00,{i}.5,-{i},0,1\n", i))
        .collect();
    let files = [
        (
            "speaker.toml",
            "[speaker]\nname = \"S\"\n[measured]\ntrusted_from_hz = 200\n[orbits]\nhorizontal = \"h.csv\"\nvertical = \"v.csv\"\nvertical_phase = \"p.csv\"\n".to_string(),
        ),
        ("h.csv", format!("# a remark\n{header}{rows}")),
        ("v.csv", format!("{header}{rows}").replace(',', ";").replace('.', ",")),
        ("p.csv", format!("{header}Hz,deg,deg,deg,deg\n{rows}").replace(',', "\t")),
    ];
    let mut state = 8;
    let (mut read, mut refused) = (0, 0);
    for round in 0..1000 {
        let dir = tempfile::tempdir().unwrap();
        for (i, (name, text)) in files.iter().enumerate() {
            let bytes = if i == round % files.len() {
                damaged(text, &mut state)
            } else {
                text.clone().into_bytes()
            };
            std::fs::write(dir.path().join(name), bytes).unwrap();
        }
        match read_speaker(dir.path()) {
            Ok(speaker) => {
                assert!(!speaker.understood.to_string().is_empty());
                read += 1;
            }
            Err(error) => {
                // Every refusal names a place but those about a whole file.
                assert!(error.to_string().contains(": found "), "{error}");
                refused += 1;
            }
        }
    }
    assert!(read > 25 && refused > 250, "{read} read, {refused} refused");
}
