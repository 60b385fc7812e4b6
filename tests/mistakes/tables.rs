//! Tables as spreadsheets, editors and other programs spoil them.

use super::{Dice, FOLDER, Files, Mistake, refused};

const TABLES: &[&str] = &[
    "wide tables",
    "angle files",
    "averaged curves",
    "evidence",
    "low end",
    "wanted curve",
    "loopback table",
    "plan's curves",
];

/// Those whose files are named, not listed.
const NAMED: &[&str] = &[
    "wide tables",
    "averaged curves",
    "evidence",
    "low end",
    "wanted curve",
    "loopback table",
    "plan's curves",
];

const WIDE: &[&str] = &["wide tables", "evidence", "low end"];

/// A table of these files.
fn table<'a>(files: &'a mut Files, dice: &mut Dice) -> &'a mut (String, Vec<u8>) {
    let is_table =
        |name: &str| name.ends_with(".csv") || (name.ends_with(".txt") && name != "filters.txt");
    let places: Vec<usize> = (0..files.len())
        .filter(|i| is_table(&files[*i].0))
        .collect();
    let at = *dice.of(&places);
    &mut files[at]
}

/// A wide table of these files, the one with commas.
fn wide(files: &mut Files) -> &mut Vec<u8> {
    &mut files
        .iter_mut()
        .find(|(name, _)| name == "h.csv")
        .unwrap()
        .1
}

fn separator(text: &str) -> char {
    let last = text.lines().last().unwrap();
    *[';', '\t', ',']
        .iter()
        .find(|c| last.contains(**c))
        .unwrap()
}

/// Lines and the separator of a table that is edited and put back.
fn edited(bytes: &mut Vec<u8>, edit: impl FnOnce(&mut Vec<String>, char)) {
    let text = String::from_utf8(bytes.clone()).unwrap();
    let separator = separator(&text);
    let mut lines: Vec<String> = text.lines().map(str::to_string).collect();
    edit(&mut lines, separator);
    *bytes = (lines.join("\n") + "\n").into_bytes();
}

/// Puts `word` in the place of a number: in the first column or in another one.
fn in_cell(files: &mut Files, dice: &mut Dice, first: bool, word: &str) {
    let (_, bytes) = table(files, dice);
    edited(bytes, |lines, separator| {
        let line = 1 + dice.below(lines.len() - 1);
        let mut cells: Vec<&str> = lines[line].split(separator).collect();
        let at = if first {
            0
        } else {
            1 + dice.below(cells.len() - 1)
        };
        cells[at] = word;
        let changed = cells.join(&separator.to_string());
        lines[line] = changed;
    });
}

fn whole(files: &mut Files, dice: &mut Dice, change: impl FnOnce(&[u8]) -> Vec<u8>) {
    let (_, bytes) = table(files, dice);
    *bytes = change(bytes);
}

fn utf_16(bytes: &[u8], mark: bool, big: bool) -> Vec<u8> {
    let text = String::from_utf8_lossy(bytes);
    let units = mark
        .then_some(0xFEFF)
        .into_iter()
        .chain(text.encode_utf16());
    units
        .flat_map(|unit: u16| {
            if big {
                unit.to_be_bytes()
            } else {
                unit.to_le_bytes()
            }
        })
        .collect()
}

fn header(files: &mut Files, change: impl FnOnce(&str) -> String) {
    edited(wide(files), |lines, _| lines[0] = change(&lines[0]));
}

pub fn mistakes() -> Vec<Mistake> {
    vec![
        refused("a word for a missing number", TABLES, |files, dice| {
            let words = [
                "NaN",
                "nan",
                "-nan",
                "NAN",
                "N/A",
                "n/a",
                "#N/A",
                "NULL",
                "None",
                "null",
                "-",
                "--",
                "?",
                "x",
                "1.#QNAN",
                "-1.#IND",
                "nan(0x8)",
                "inf",
                "-Infinity",
                "\u{221e}",
                "#DIV/0!",
                "#REF!",
                "######",
                "missing",
                "\u{2014}",
                "TRUE",
                "over",
            ];
            let word = *dice.of(&words);
            in_cell(files, dice, false, word);
        }),
        refused("a unit in a cell", TABLES, |files, dice| {
            let word = *dice.of(&[
                "-3 dB", "-3dB", "3dBr", "5%", "12deg", "1k", "4 ohm", "85 SPL",
            ]);
            in_cell(files, dice, false, word);
        }),
        refused("a unit beside a frequency", TABLES, |files, dice| {
            let word = *dice.of(&["1 kHz", "20Hz", "1k", "2.5k", "1k25", "1000 cps"]);
            in_cell(files, dice, true, word);
        }),
        refused("a number in another notation", TABLES, |files, dice| {
            let words = [
                "0x10",
                "1/3",
                "1'000",
                "1_000",
                "(3.2)",
                "--3",
                "+-3",
                "3-",
                "1e",
                "e5",
                ".",
                "1.2.3",
                "1e+",
                "1e1.5",
                "\u{661}\u{662}",
                "\u{ff11}\u{ff12}",
                "10\u{b2}",
                "XII",
                "1.5.",
                "3,1,4,1",
                "=A1+1",
                "'5",
                "\"5",
                "5\"",
                "1.5f",
                "2.0L",
                "1d3",
                "3.2\u{200b}",
                "3\u{b7}2",
                "~3",
                "<0.1",
                "3\u{b1}1",
            ];
            let word = *dice.of(&words);
            in_cell(files, dice, false, word);
        }),
        refused("a gigantic exponent", TABLES, |files, dice| {
            let words = [
                "1e400",
                "-1e400",
                "1e99999999999999999999",
                "-9e9999",
                "1e308",
                "-1e308",
                "4e18",
            ];
            let word = *dice.of(&words);
            in_cell(files, dice, false, word);
        }),
        refused("a frequency that is none", TABLES, |files, dice| {
            let words = [
                "0", "-0", "-20", "-1e-9", "1e-400", "1e300", "1e8", "2e7", "0.0", "-1000", "1e400",
            ];
            let word = *dice.of(&words);
            in_cell(files, dice, true, word);
        }),
        refused("a word for a frequency", TABLES, |files, dice| {
            let word = *dice.of(&[
                "NaN",
                "inf",
                "1OOO",
                "l00",
                "1 000",
                "20-25",
                "2026-11-26",
                "12:30",
            ]);
            in_cell(files, dice, true, word);
        }),
        refused("a frequency twice", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            edited(bytes, |lines, separator| {
                let line = 1 + dice.below(lines.len() - 1);
                let (first, _) = lines[line].split_once(separator).unwrap();
                let other = if line == lines.len() - 1 {
                    1
                } else {
                    lines.len() - 1
                };
                let (_, rest) = lines[other].split_once(separator).unwrap();
                // Another value than the one that stands there already.
                let again = format!("{first}{separator}{}7{rest}", &rest[..0]);
                lines.insert(other, again);
            });
        }),
        refused("a header again in the middle", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            edited(bytes, |lines, separator| {
                let at = 2 + dice.below(lines.len() - 2);
                let again = if lines[0].contains(|c: char| c.is_alphabetic()) {
                    lines[0].clone()
                } else {
                    ["Frequency", "Level", "Phase"].join(&separator.to_string())
                };
                lines.insert(at, again);
            });
        }),
        refused("a sum below the table", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            edited(bytes, |lines, separator| {
                let width = lines.last().unwrap().split(separator).count();
                let cells = vec!["1.5"; width - 1].join(&separator.to_string());
                lines.push(format!("mean{separator}{cells}"));
            });
        }),
        refused("decimal commas between commas", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            let text = String::from_utf8(bytes.clone()).unwrap();
            if separator(&text) == ',' {
                edited(bytes, |lines, _| {
                    // Of the header, whose fields are then fewer, nothing changes.
                    for line in lines.iter_mut().skip(1) {
                        *line = line.replace(',', ".0,").replace('.', ",");
                    }
                });
            } else {
                edited(bytes, |lines, _| {
                    let at = 1 + dice.below(lines.len() - 1);
                    lines[at] = lines[at].replace([';', '\t'], " ; ,");
                });
            }
        }),
        refused("a field too few or too many", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            edited(bytes, |lines, separator| {
                let at = 1 + dice.below(lines.len() - 1);
                if dice.below(2) == 0 {
                    lines[at].push_str(&format!("{separator}1{separator}2"));
                } else {
                    let (rest, _) = lines[at].rsplit_once(separator).unwrap();
                    lines[at] = rest.to_string();
                }
            });
        }),
        refused("other separators in one line", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            edited(bytes, |lines, separator| {
                let at = 1 + dice.below(lines.len() - 1);
                lines[at] = lines[at].replace(separator, "|");
            });
        }),
        refused("null bytes", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            match dice.below(3) {
                0 => {
                    let from = bytes.len() / 2;
                    bytes[from..].fill(0);
                }
                1 => bytes.extend([0; 512]),
                _ => {
                    let digits: Vec<usize> = (bytes.len() / 2..bytes.len())
                        .filter(|i| bytes[*i].is_ascii_digit())
                        .collect();
                    let at = *dice.of(&digits);
                    bytes[at] = 0;
                }
            }
        }),
        refused("UTF-16", TABLES, |files, dice| {
            let (mark, big) = (dice.below(2) == 0, dice.below(2) == 0);
            whole(files, dice, |bytes| utf_16(bytes, mark, big));
        }),
        refused("UTF-32", TABLES, |files, dice| {
            whole(files, dice, |bytes| {
                bytes.iter().flat_map(|b| [*b, 0, 0, 0]).collect()
            });
        }),
        refused("a byte of another encoding", TABLES, |files, dice| {
            let bad = *dice.of(&[
                &b"\xB0"[..],
                b"\xE4\xF6",
                b"\x80",
                b"\xC3",
                b"\xED\xA0\x80",
                b"\xFF",
                b"\x93\xFA",
            ]);
            whole(files, dice, |bytes| {
                [b"# temperature 20 ", bad, b"C\n", bytes].concat()
            });
        }),
        refused("another kind of file", TABLES, |files, dice| {
            let starts: [&[u8]; 9] = [
                b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03\xed\xc1",
                b"PK\x03\x04\x14\x00\x06\x00\x08\x00",
                b"%PDF-1.7\n1 0 obj\n<< /Type /Catalog >>\nendobj\n",
                b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR",
                b"<!doctype html>\n<html><body><table><tr><td>20</td></tr></table></body></html>\n",
                b"{\"freq_hz\": [20, 40], \"level_db\": [1, 2]}\n",
                b"[1, 2, 3]\n",
                b"\x7fELF\x02\x01\x01\x00",
                b"version https://git-lfs.example/spec/v1\noid sha256:4d7a\nsize 12345\n",
            ];
            let start = *dice.of(&starts);
            whole(files, dice, |_| start.to_vec());
        }),
        refused("an empty table", TABLES, |files, dice| {
            let text = *dice.of(&[
                "",
                "\n\n\n",
                "   \n",
                "# nothing\n",
                "\u{feff}",
                "freq_hz,0\n",
                ";;;\n",
                ",\n,\n",
            ]);
            whole(files, dice, |_| text.as_bytes().to_vec());
        }),
        refused("too few rows", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            edited(bytes, |lines, _| lines.truncate(2 + dice.below(5)));
        }),
        refused("rows for columns", TABLES, |files, dice| {
            let (_, bytes) = table(files, dice);
            edited(bytes, |lines, separator| {
                let cells: Vec<Vec<&str>> = lines
                    .iter()
                    .map(|line| line.split(separator).collect())
                    .collect();
                let between = separator.to_string();
                let turned = (0..cells[1].len())
                    .map(|c| {
                        let column: Vec<&str> = cells
                            .iter()
                            .map(|row| row.get(c).copied().unwrap_or(""))
                            .collect();
                        column.join(&between)
                    })
                    .collect();
                *lines = turned;
            });
        }),
        Mistake {
            must_be_refused: false,
            ..refused("columns swapped", TABLES, |files, dice| {
                let (_, bytes) = table(files, dice);
                edited(bytes, |lines, separator| {
                    for line in lines {
                        let mut cells: Vec<&str> = line.split(separator).collect();
                        cells.reverse();
                        let swapped = cells.join(&separator.to_string());
                        *line = swapped;
                    }
                });
            })
        },
        refused("a folder for a table", NAMED, |files, dice| {
            whole(files, dice, |_| FOLDER.to_vec());
        }),
        refused(
            "a table that is not there",
            &["wide tables", "averaged curves", "evidence", "low end"],
            |files, dice| {
                let name = table(files, dice).0.clone();
                files.retain(|(other, _)| *other != name);
            },
        ),
        refused("an angle twice", WIDE, |files, dice| {
            let word = *dice.of(&["20", "20.0", "+20", "380", "-340", " 20 ", "20.001", "020"]);
            header(files, |line| line.replacen(",-20", &format!(",{word}"), 1));
        }),
        refused("a header that is no angle", WIDE, |files, dice| {
            let word = *dice.of(&[
                "", "left", "NaN", "1e9", "inf", "10 dB", "ten", "\u{661}", "10;5", "-", "angle",
            ]);
            header(files, |line| line.replacen(",-20", &format!(",{word}"), 1));
        }),
        refused("a header of another length", WIDE, |files, dice| {
            let cut = dice.below(2) == 0;
            header(files, |line| match cut {
                true => line.rsplit_once(',').unwrap().0.to_string(),
                false => format!("{line},40,50"),
            });
        }),
        refused("no header", WIDE, |files, _| {
            edited(wide(files), |lines, _| drop(lines.remove(0)));
        }),
        refused("frequencies in kilohertz", WIDE, |files, _| {
            header(files, |line| line.replace("freq_hz", "f / kHz"));
        }),
        refused("a line that never ends", TABLES, |files, dice| {
            whole(files, dice, |bytes| {
                let line = [&b"1000"[..], &b",1".repeat(200_000)].concat();
                [bytes, &line].concat()
            });
        }),
    ]
}
