//! Filter lists, devices, targets and wanted curves, mistyped.

use super::{Files, Mistake, refused};

const RENEWED: &[&str] = &["filter list, checksum renewed"];

/// A change of the list's text: what is looked for, what stands in its place.
const IN_A_LIST: &[(&str, &[&str])] = &[
    (
        "planish-filters 1",
        &[
            "planish-filters 2",
            "planish-filters",
            "Planish-filters 1",
            "filters 1",
            " planish-filters 1",
            "planish-filters 1.0",
        ],
    ),
    (
        "rate_hz 48000",
        &[
            "rate_hz 0",
            "rate_hz -48000",
            "rate_hz 48k",
            "rate_hz",
            "rate_hz 1e300",
            "rate_hz nan",
            "rate_hz 48000 48000",
            "rate 48000",
            "rate_hz  48000",
            "rate_hz\t48000",
            "rate_hz 048000x",
        ],
    ),
    (
        "equation y0 = b0*x0",
        &[
            "equation y0 = b1*x0",
            "equation y0 = b0*x1",
            "equation",
            "equation y0=b0*x0",
        ],
    ),
    (
        "number f64",
        &[
            "number f16",
            "number",
            "number fixed",
            "number fixed 5",
            "number fixed 0.0",
            "number fixed 99.99",
            "number fixed -1.23",
            "number double",
        ],
    ),
    (
        "\ngain_db ",
        &[
            "\ngain_db x",
            "\ngain_db nan ",
            "\ngain_db -inf\n",
            "\ngain ",
            "\ngain_db 1e9 ",
            "\ngain_db\n",
        ],
    ),
    (
        "\nstage 1 ",
        &[
            "\nstage 2 ",
            "\nstage 0 ",
            "\nstage -1 ",
            "\nstage one ",
            "\nstage ",
            "\nStage 1 ",
            "\nstage 1 notch ",
            "\nstage 1 1 ",
        ],
    ),
    (
        " f0_hz=",
        &[
            " f0=",
            " f0_hz=-",
            " f0_hz=nan ",
            " f0_hz = ",
            " ",
            " f0_hz=0 f0_hz=",
            " f0_hz=x",
        ],
    ),
    (
        " q=",
        &[" q=-", " q=inf ", " Q=", " ", " q=0 q=", " bw=", " q=,"],
    ),
    (
        "\nb ",
        &[
            "\nb 1 ",
            "\nb nan ",
            "\nb\n",
            "\nB ",
            "\nb 1e999 ",
            "\nb x",
            "\nc ",
            "\nb , ",
        ],
    ),
    (
        "\na ",
        &[
            "\na 1 ",
            "\na -1.99 7 ",
            "\na\n",
            "\n",
            "\na 1e309 ",
            "\na ; ",
        ],
    ),
];

fn text(files: &mut Files, name: &str) -> (usize, String) {
    let at = files.iter().position(|(own, _)| own == name).unwrap();
    (at, String::from_utf8(files[at].1.clone()).unwrap())
}

/// The checksum over what stands above the line that ends a list.
fn renewed(text: &str) -> String {
    let at = text.rfind("\nend ").map_or(text.len(), |at| at + 1);
    let (body, end) = text.split_at(at);
    let count = end.split(' ').nth(1).unwrap_or("0");
    format!(
        "{body}end {count} crc32={:08x}\n",
        crc32fast::hash(body.as_bytes())
    )
}

fn edit(files: &mut Files, name: &str, change: impl FnOnce(&str) -> String) {
    let (at, text) = text(files, name);
    files[at].1 = change(&text).into_bytes();
}

pub fn mistakes() -> Vec<Mistake> {
    vec![
        refused(
            "a list mistyped, its checksum right",
            RENEWED,
            |files, dice| {
                let (wanted, others) = dice.of(IN_A_LIST);
                let other = dice.of(others);
                edit(files, "filters.txt", |text| {
                    renewed(&text.replacen(wanted, other, 1))
                });
            },
        ),
        refused("a list mistyped", &["filter list"], |files, dice| {
            let (wanted, others) = dice.of(IN_A_LIST);
            let other = dice.of(others);
            edit(files, "filters.txt", |text| text.replacen(wanted, other, 1));
        }),
        refused(
            "a list whose end is wrong",
            &["filter list"],
            |files, dice| {
                let which = dice.below(10);
                edit(files, "filters.txt", |text| {
                    let (body, end) = text.rsplit_once("end ").unwrap();
                    let (count, crc) = end.trim().split_once(' ').unwrap();
                    match which {
                        0 => body.to_string(),
                        1 => format!("{body}end {count}\n"),
                        2 => format!("{body}end 99 {crc}\n"),
                        3 => format!("{body}end {count} crc32=00000000\n"),
                        4 => format!("{body}end {count} {}\n", crc.to_uppercase()),
                        5 => format!("{text}\nstage 11 peaking\n"),
                        6 => format!("{text}{text}"),
                        7 => text.replace('\n', "\r\n"),
                        8 => format!("\u{feff}{text}"),
                        _ => format!("{body}end x {crc}\n"),
                    }
                });
            },
        ),
        refused("a list that is cut off", RENEWED, |files, dice| {
            let (at, text) = text(files, "filters.txt");
            let cut = dice.below(text.rfind("end ").unwrap());
            files[at].1.truncate(cut);
        }),
        refused(
            "a device that cannot be",
            &["device, limits"],
            |files, dice| {
                let changes: [(&str, &str); 22] = [
                    ("rate_hz = 96000", "rate_hz = 0"),
                    ("rate_hz = 96000", "rate_hz = -1"),
                    ("rate_hz = 96000", "rate_hz = 1e300"),
                    ("rate_hz = 96000", "rate_hz = \"96k\""),
                    ("rate_hz = 96000", ""),
                    ("\"fixed 5.23\"", "\"fixed 5,23\""),
                    ("\"fixed 5.23\"", "\"fixed 0.99\""),
                    ("\"fixed 5.23\"", "\"float\""),
                    ("\"added\"", "\"maybe\""),
                    ("\"b0\", ", ""),
                    ("\"b0\", ", "\"b1\", "),
                    ("stages = 10", "stages = -1"),
                    ("stages = 10", "stages = 0"),
                    ("stages = 10", "stages = 1e9"),
                    ("stages = 10", "stages = 10.5"),
                    ("stages = 10", "stages = 10\nstages = 11"),
                    ("from = 40, to = 20000", "from = 20000, to = 40"),
                    ("from = 40, to = 20000", "from = 40"),
                    ("from = 40, to = 20000", "from = 40, to = 90000"),
                    ("from = -18, to = 6", "from = -18, to = 6, step = -1"),
                    ("from = -18, to = 6", "from = nan, to = 6"),
                    ("[peaking]", "[peeking]"),
                ];
                let (wanted, other) = dice.of(&changes);
                edit(files, "d.toml", |text| text.replacen(wanted, other, 1));
            },
        ),
        refused("a target that cannot be", &["target"], |files, dice| {
            let points = [
                "[]",
                "[[75, -2], [75, 0]]",
                "[[300, 0], [75, -2]]",
                "[[-1, 0], [75, 0]]",
                "[[0, 0], [75, 0]]",
                "[[75, nan], [80, 0]]",
                "[[75, 1e300], [80, 0]]",
                "[[75], [80]]",
                "[[75, 1, 2], [80, 0, 1]]",
                "75",
                "\"75 -2\"",
                "[75, -2]",
                "[[\"75\", 0], [80, 0]]",
                "[[75, 0], [1e99, 0]]",
                "{ a = 1 }",
                "[[75, 0], [inf, 0]]",
                "[[75, 0], 80]",
            ];
            let other = *dice.of(&points);
            edit(files, "t.toml", |text| {
                let (before, _) = text.split_once("points = ").unwrap();
                format!("{before}points = {other}\n")
            });
        }),
        refused(
            "a weight that cannot be",
            &["wanted curve"],
            |files, dice| {
                let word = *dice.of(&["-1", "nan", "inf", "1e999", "heavy", "1 kg"]);
                edit(files, "w.csv", |text| {
                    let mut lines: Vec<&str> = text.lines().collect();
                    let (rest, _) = lines[9].rsplit_once(',').unwrap();
                    let line = format!("{rest},{word}");
                    lines[9] = &line;
                    lines.join("\n")
                });
            },
        ),
    ]
}
