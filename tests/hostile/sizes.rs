//! Sizes that files declare are not believed: memory stays below 512 MiB whatever they say.

use super::written_sofa::{Sofa, var};
use super::*;

/// The bar: 512 MiB of private memory. Source: issue 8.
const MOST_KIB: u64 = 512 << 10;

/// A call that may use no more memory than the bar; the system ends it when it asks for more, with
/// a code that is neither 0 nor 2.
fn within_memory(arguments: &[&str]) -> Output {
    Command::new("sh")
        .arg("-c")
        .arg(format!(
            "ulimit -d {MOST_KIB} && exec timeout {PATIENCE_S} \"$0\" \"$@\""
        ))
        .arg(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .unwrap()
}

/// Whether a call had too little memory: it was ended, or says so.
fn ran_out(output: &Output) -> bool {
    let said = String::from_utf8_lossy(&output.stderr).to_lowercase();
    !matches!(output.status.code(), Some(0 | 2)) || said.contains("memory")
}

fn answered(arguments: &[&str]) -> String {
    let output = within_memory(arguments);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        !ran_out(&output),
        "{arguments:?}: {:?}, {said}",
        output.status
    );
    said
}

#[test]
fn the_limit_of_memory_is_one_that_is_noticed() {
    let dir = folder(&[]);
    let big = dir.path().join("big.csv");
    fs::write(&big, "1,1\n".repeat(8 << 20)).unwrap();
    let output = Command::new("sh")
        .arg("-c")
        .arg("ulimit -d 16384 && exec \"$0\" fit \"$1\"")
        .arg(env!("CARGO_BIN_EXE_planish"))
        .arg(&big)
        .output()
        .unwrap();
    assert!(ran_out(&output), "{output:?}");
}

#[test]
fn the_largest_tables_that_are_read_stay_below_the_bar() {
    // The most numbers in the fewest bytes: 64 MiB of one digit each.
    let header: String = (-179..=180).map(|angle| format!(",{angle}")).collect();
    let row = ",1".repeat(360);
    let mut text = format!("freq_hz{header}\n");
    let mut f = 0;
    while text.len() + 740 < 64 << 20 {
        f += 1;
        text += &format!("{f}{row}\n");
    }
    let dir = folder(&[
        (
            "speaker.toml",
            "[speaker]\nname = \"Test\"\n[orbits]\nhorizontal = \"h.csv\"\nvertical = \"h.csv\"\n",
        ),
        ("h.csv", &text),
    ]);
    let said = answered(&["look", path(dir.path())]);
    assert!(said.contains("million numbers"), "{said}");
    // As many as are read.
    let rows = 10_000_000 / 362;
    let end = text.match_indices('\n').nth(rows).unwrap().0;
    fs::write(dir.path().join("h.csv"), &text[..end]).unwrap();
    let said = answered(&["look", path(dir.path())]);
    assert!(
        said.is_empty() || !said.contains("million numbers in all"),
        "{said}"
    );
    // The longest line, the longest name, the deepest nesting.
    for bad in [
        "1,".repeat(32 << 20),
        "x".repeat(64 << 20),
        "\n".repeat(64 << 20),
        "#\n".repeat(32 << 20),
        format!("freq_hz{}", ",0".repeat(30 << 20)),
    ] {
        fs::write(dir.path().join("h.csv"), bad).unwrap();
        assert!(answered(&["look", path(dir.path())]).contains("h.csv"));
    }
    for bad in [
        "[".repeat(60 << 20),
        format!("a = {}", "[".repeat(1 << 20)),
        format!("a = {}", "{a=".repeat(1 << 20)),
        "[a.".repeat(1 << 20),
        format!("{} = 1", "a.".repeat(1 << 20)),
        format!(
            "[speaker]\nname = \"{}\"\n[orbits]\nhorizontal = \"h.csv\"\n",
            "x".repeat(32 << 20)
        ),
    ] {
        fs::write(dir.path().join("speaker.toml"), bad).unwrap();
        let said = answered(&["look", path(dir.path())]);
        assert!(said.len() < 4096, "a message of {} bytes", said.len());
    }
}

#[test]
fn many_files_together_are_refused_when_they_are_too_large() {
    let dir = folder(&[]);
    let big = dir.path().join("h_0.txt");
    let remark = format!("# {}\n", "x".repeat(4000));
    fs::write(&big, remark.repeat(10_000) + &one()).unwrap();
    for angle in 1..10 {
        fs::hard_link(&big, dir.path().join(format!("h_{angle}.txt"))).unwrap();
    }
    let said = answered(&["look", path(dir.path())]);
    assert!(said.contains("more than 256 MiB in all files"), "{said}");
}

/// A SOFA file of zeros, some kilobytes long, that unpacks to `receivers` times 4096 numbers, twice.
fn bomb(receivers: usize) -> Vec<u8> {
    let count = 4096;
    let places = (0..receivers).flat_map(|i| [i as f64 * 360.0 / receivers as f64, 0.0, 2.0]);
    Sofa {
        convention: "FreeFieldDirectivityTF",
        data_type: "TF",
        sizes: [1, receivers, count],
        variables: vec![
            var("SourcePosition", &["I", "C"], vec![0.0; 3]).cartesian(),
            var("SourceView", &["I", "C"], vec![1.0, 0.0, 0.0]).cartesian(),
            var("SourceUp", &["I", "C"], vec![0.0, 0.0, 1.0]).cartesian(),
            var("ReceiverPosition", &["R", "C", "I"], places.collect()).spherical(),
            var("N", &["N"], (1..=count).map(|i| 5.0 * i as f64).collect()).with("Units", "hertz"),
            var("Data.Imag", &["M", "R", "N"], vec![0.0; receivers * count]),
            var("Data.Real", &["M", "R", "N"], vec![1.0; receivers * count]),
        ],
    }
    .bytes()
}

#[test]
fn a_small_sofa_file_that_unpacks_to_much_stays_below_the_bar() {
    let dir = folder(&[]);
    let file = dir.path().join("a.sofa");
    // As much as is read, and more.
    fs::write(&file, bomb(2900)).unwrap();
    answered(&["look", path(&file)]);
    fs::write(&file, bomb(3000)).unwrap();
    let said = answered(&["look", path(&file)]);
    assert!(said.contains("at most 12 million numbers"), "{said}");
    // Numbers of the head blown up: each of its first bytes in turn.
    let whole = fs::read("tests/data/sofa/sofa_ffdtf_cardioid.sofa").unwrap();
    for at in (8..whole.len().min(6000)).step_by(97) {
        let mut bytes = whole.clone();
        bytes[at..at + 4].fill(0x7F);
        fs::write(&file, bytes).unwrap();
        answered(&["look", path(&file)]);
    }
}

#[test]
fn a_sound_file_may_declare_what_it_likes() {
    let dir = folder(&[]);
    let file = dir.path().join("h_0.wav");
    let header = |channels: u16, rate: u32, bits: u16, riff: u32, data: u32| {
        let mut bytes = b"RIFF".to_vec();
        bytes.extend(riff.to_le_bytes());
        bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0");
        bytes.extend(channels.to_le_bytes());
        bytes.extend(rate.to_le_bytes());
        let frame = channels.wrapping_mul(bits / 8);
        bytes.extend(rate.wrapping_mul(u32::from(frame)).to_le_bytes());
        bytes.extend(frame.to_le_bytes());
        bytes.extend(bits.to_le_bytes());
        bytes.extend(b"data");
        bytes.extend(data.to_le_bytes());
        bytes.extend((0..40_000u32).map(|i| (i * 7 % 251) as u8));
        bytes
    };
    for (channels, rate, bits, data) in [
        (1, u32::MAX, 16, u32::MAX),
        (1, 1, 16, u32::MAX - 1),
        (u16::MAX, 48_000, 16, 0x7FFF_FFFF),
        (1, 4_000_000_000, 32, 40_000),
        (1, 48_000, 16, 0),
    ] {
        fs::write(&file, header(channels, rate, bits, u32::MAX, data)).unwrap();
        answered(&["look", path(dir.path())]);
        let list = folder(&[]);
        answered(&[
            "check",
            "tests/data/lists/none.txt",
            "--measured",
            path(&file),
        ]);
        drop(list);
    }
}
