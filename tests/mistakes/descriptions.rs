//! Descriptions that contradict themselves, the folder or the notation.

use super::{Dice, FOLDER, Files, Mistake};

const SPEAKER: &[&str] = &["wide tables"];

/// What may stand below `[speaker]` and its name beside sound tables `h.csv`, `v.csv`, `p.csv`.
const WRONG: &[&str] = &[
    "",
    "[orbits]\n",
    "[orbits]\nhorizontal = \"\"\n",
    "[orbits]\nhorizontal = 7\n",
    "[orbits]\nhorizontal = [\"h.csv\"]\n",
    "[orbits]\nhorizontal = true\n",
    "[orbits]\nhorizontal = { file = \"h.csv\" }\n",
    "[orbits]\nhorizontal = 2026-11-26\n",
    "[orbits]\nhorizontal = \"H.CSV \"\n",
    "[orbits]\nhorizontal = \"absent.csv\"\n",
    "[orbits]\nhorizontal = \"../h.csv\"\n",
    "[orbits]\nhorizontal = \"/etc/hostname\"\n",
    "[orbits]\nhorizontal = \"a\\u0000b.csv\"\n",
    "[orbits]\nhorizontal = \"h_{angle}.csv\"\n",
    "[orbits]\nhorizontal = \".\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\nhorizontal = \"v.csv\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[orbits]\nvertical = \"v.csv\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\ndiagonal = \"v.csv\"\n",
    "[orbits]\nvertical_phase = \"p.csv\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[angles]\nhorizontal = \"h_{angle}.txt\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[curves]\ntable = \"v.csv\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[sofa]\nfile = \"a.sofa\"\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[unheard]\nof = 1\n",
    "[orbits]\nhorizontal = \"h.csv\"\n[speaker]\nname = \"again\"\n",
    "orbits = \"h.csv\"\n",
    "[[orbits]]\nhorizontal = \"h.csv\"\n",
    "[orbits\nhorizontal = \"h.csv\"\n",
    "[orbits]\nhorizontal = \"h.csv\n",
    "[orbits]\nhorizontal = h.csv\n",
    "[orbits]\nhorizontal : \"h.csv\"\n",
    "[orbits]\n= \"h.csv\"\n",
    "[orbits]\nhorizontal = 'h.csv'' \n",
    "[orbits]\nhorizontal = \"h.csv\" vertical = \"v.csv\"\n",
    "[orbits]\nhorizontal = \"h\\csv\"\n",
    "[angles]\nhorizontal = \"h.csv\"\n",
    "[angles]\nhorizontal = \"{angle}\"\n",
    "[angles]\nhorizontal = \"h_{angle}_{angle}.txt\"\n",
    "[angles]\nhorizontal = \"h_{ANGLE}.txt\"\n",
    "[angles]\nhorizontal = \"absent_{angle}.txt\"\n",
    "[angles]\nhorizontal = \"{angle}/../../x.txt\"\n",
    "[impulses]\nhorizontal = \"h_{angle}.wav\"\n",
    "[impulses]\nhorizontal = \"h.csv\"\ngate_ms = 5\n",
    "[sofa]\nfile = \"h.csv\"\n",
    "[sofa]\nfile = \"absent.sofa\"\n",
    "[sofa]\n",
    "[curves]\ntable = \"h.csv\"\n",
    "[curves]\n",
];

/// Sections beside sound orbits.
const WRONG_BESIDE: &[&str] = &[
    "[measured]\ntrusted_from_hz = 5000\ntrusted_to_hz = 200\n",
    "[measured]\ntrusted_from_hz = -1\n",
    "[measured]\ntrusted_from_hz = nan\n",
    "[measured]\ntrusted_to_hz = inf\n",
    "[measured]\ntrusted_to_hz = \"20000\"\n",
    "[measured]\ntrusted_to_hz = 1e400\n",
    "[measured]\ntrusted_from_hz = 99999999999999999999\n",
    "[measured]\ntrusted_from_hz = 0x\n",
    "[measured]\ntrusted_from_hz = 1_\n",
    "[measured]\ntrusted_from_hz = 200,5\n",
    "[measured]\ntrusted_from_hz = 200 Hz\n",
    "[measured]\ndistance_m = 0\n",
    "[measured]\ndistance_m = -2\n",
    "[measured]\ndistance_m = 1e300\n",
    "[measured]\ndistance_m = \"2 m\"\n",
    "[measured]\ndrive_v = 0\n",
    "[measured]\ndrive_v = -2.83\n",
    "[measured]\ndrive_v = false\n",
    "[measured]\ntrusted_form_hz = 200\n",
    "[evidence]\nimpedance = \"absent.csv\"\n",
    "[evidence]\nimpedance = \"h.csv\"\n",
    "[evidence]\nimpedance = 8\n",
    "[evidence]\nsecond_unit = \"absent\"\n",
    "[evidence]\nsecond_unit = \"h.csv\"\n",
    "[evidence]\nsecond_source = \"\"\n",
    "[evidence]\nimpedence = \"h.csv\"\n",
    "[low_end]\ntable = \"absent.csv\"\nat_hz = 300\nmethod = \"near-field\"\n",
    "[low_end]\ntable = \"h.csv\"\nat_hz = 300\nmethod = \"near-field\"\n",
    "[low_end]\nat_hz = 300\n",
    "[low_end]\ntable = \"v.csv\"\nat_hz = -300\nmethod = \"near-field\"\n",
    "[low_end]\ntable = \"v.csv\"\nat_hz = 300\nmethod = \"far-field\"\n",
    "a.b.c.d = 1\n[a.b]\nc = 2\n",
];

fn description(files: &mut Files) -> &mut Vec<u8> {
    &mut files
        .iter_mut()
        .find(|(name, _)| name == "speaker.toml")
        .unwrap()
        .1
}

fn refused(name: &'static str, make: fn(&mut Files, &mut Dice)) -> Mistake {
    Mistake {
        name,
        kinds: SPEAKER,
        must_be_refused: true,
        make,
    }
}

pub fn mistakes() -> Vec<Mistake> {
    vec![
        refused("a form that cannot be", |files, dice| {
            let text = format!("[speaker]\nname = \"X\"\n{}", dice.of(WRONG));
            *description(files) = text.into_bytes();
        }),
        refused("a section that contradicts", |files, dice| {
            let text = format!(
                "[speaker]\nname = \"X\"\n[orbits]\nhorizontal = \"h.csv\"\n{}",
                dice.of(WRONG_BESIDE)
            );
            *description(files) = text.into_bytes();
        }),
        refused("a name that is none", |files, dice| {
            let names = [
                "",
                "name = \"\"\n",
                "name = 5\n",
                "Name = \"X\"\n",
                "name = \"X\"\nname = \"Y\"\n",
                "name\n",
            ];
            let text = format!(
                "[speaker]\n{}[orbits]\nhorizontal = \"h.csv\"\n",
                dice.of(&names)
            );
            *description(files) = text.into_bytes();
        }),
        refused("a description in another notation", |files, dice| {
            let texts: [&[u8]; 8] = [
                b"{\"speaker\": {\"name\": \"X\"}}",
                b"speaker:\n  name: X\n",
                b"<speaker name=\"X\"/>",
                b"\xFF\xFE[\x00s\x00",
                b"[speaker]\nname = \"\xE4\"\n",
                b"\0\0\0\0",
                b"freq_hz,0\n20,1\n",
                b"",
            ];
            *description(files) = dice.of(&texts).to_vec();
        }),
        refused("a folder for the description", |files, _| {
            *description(files) = FOLDER.to_vec();
        }),
        refused("a description that is cut off", |files, dice| {
            let text = description(files);
            let from = text.windows(8).position(|w| w == b"[orbits]").unwrap();
            // Within the last line a cut may leave what is still sound.
            let to = from + "[orbits]\nhorizontal = \"h.csv".len();
            text.truncate(from + 1 + dice.below(to - from));
        }),
        refused("a description that nests without end", |files, dice| {
            let deep = *dice.of(&[200, 5_000, 100_000]);
            let text = match dice.below(3) {
                0 => format!("a = {}", "[".repeat(deep)),
                1 => format!("[{}]\n", vec!["a"; deep].join(".")),
                _ => format!("a = {}1{}", "{b=".repeat(deep), "}".repeat(deep)),
            };
            *description(files) = text.into_bytes();
        }),
    ]
}
