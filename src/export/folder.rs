//! A speaker folder as text: what was measured, so that it can be read again.

use super::curves::decimals;
use crate::curve::Grid;
use crate::filter_list::shortest;
use crate::response::{Member, Orbit, Response};

/// Name and content of the files of a speaker folder: `speaker.toml`, and for each orbit that
/// was measured a wide table of levels in dB with two decimals, `horizontal.csv` and
/// `vertical.csv`. Mirror images were not measured and are left out, and so is phase.
///
/// `trusted_hz` is the range of frequencies that can be relied on, where it is known; `about`
/// stands as a comment at the top of `speaker.toml`.
pub fn speaker_files(
    name: &str,
    response: &Response,
    trusted_hz: Option<(f64, f64)>,
    about: &str,
) -> Vec<(String, String)> {
    let freqs = frequencies(response.grid());
    let mut tables = Vec::new();
    let mut orbits = String::new();
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        let members: Vec<&Member> = response
            .members()
            .iter()
            .filter(|m| m.direction.orbit() == orbit && !m.mirrored)
            .collect();
        if members.is_empty() {
            continue;
        }
        let file = format!("{}.csv", orbit.name());
        orbits.push_str(&format!("{} = \"{file}\"\n", orbit.name()));
        tables.push((file, table(&freqs, &members)));
    }
    let mut head: String = about.lines().map(comment).collect();
    head.push_str(&format!(
        "[speaker]\nname = {}\n",
        toml::Value::String(name.to_string())
    ));
    if let Some((from_hz, to_hz)) = trusted_hz {
        head.push_str(&format!(
            "\n[measured]\ntrusted_from_hz = {}\ntrusted_to_hz = {}\n",
            shortest(from_hz),
            shortest(to_hz)
        ));
    }
    head.push_str(&format!("\n[orbits]\n{orbits}"));
    let mut files = vec![("speaker.toml".to_string(), head)];
    files.extend(tables);
    files
}

/// TOML allows no control characters in a comment but the tab.
fn comment(line: &str) -> String {
    let plain = line.replace(|c: char| c.is_control() && c != '\t', " ");
    format!("# {plain}\n")
}

fn table(freqs: &[String], members: &[&Member]) -> String {
    let mut out = String::from("freq_hz");
    for member in members {
        out.push(',');
        out.push_str(&shortest(member.direction.angle_deg()));
    }
    out.push('\n');
    for (i, f) in freqs.iter().enumerate() {
        out.push_str(f);
        for member in members {
            out.push(',');
            out.push_str(&decimals(member.levels_db[i], 2));
        }
        out.push('\n');
    }
    out
}

/// Levels at seats as a table: `freq_hz`, then a column in dB with two decimals for each seat. As
/// many names as lists of levels, each with one level per frequency.
pub fn seats_table(grid: &Grid, names: &[&str], seats_db: &[Vec<f64>]) -> String {
    let mut out = format!("freq_hz,{}\n", names.join(","));
    for (i, f) in frequencies(grid).iter().enumerate() {
        out.push_str(f);
        for seat in seats_db {
            out.push(',');
            out.push_str(&decimals(seat[i], 2));
        }
        out.push('\n');
    }
    out
}

/// Six significant digits place a frequency to a hundredth of a cent; no measurement is
/// meant more exactly.
const SIGNIFICANT_DIGITS: usize = 6;

/// With so many digits any two 64-bit values differ.
const ENOUGH_DIGITS: usize = 17;

/// The frequencies with six significant digits at most, or as many as keep neighbours apart.
fn frequencies(grid: &Grid) -> Vec<String> {
    let rounded = |digits: usize| -> Vec<String> {
        grid.freqs_hz()
            .iter()
            .map(|f| {
                let text = format!("{f:.*e}", digits - 1);
                text.parse().map_or(text, shortest)
            })
            .collect()
    };
    (SIGNIFICANT_DIGITS..ENOUGH_DIGITS)
        .map(rounded)
        .find(|texts| texts.windows(2).all(|pair| pair[0] != pair[1]))
        .unwrap_or_else(|| rounded(ENOUGH_DIGITS))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::response::Direction;

    fn member(orbit: Orbit, angle_deg: f64, levels_db: Vec<f64>) -> Member {
        Member {
            direction: Direction::new(orbit, angle_deg),
            levels_db,
            phase_deg: None,
            mirrored: false,
        }
    }

    #[test]
    fn the_whole_folder_of_a_speaker_with_one_orbit() {
        let grid = Grid::new(vec![20.0, 100.0 / 3.0]).unwrap();
        let members = vec![
            member(Orbit::Horizontal, 180.0, vec![-9.0, -9.126]),
            member(Orbit::Horizontal, 0.0, vec![0.0, -0.001]),
            member(Orbit::Horizontal, 7.5, vec![80.0, 1.0]),
        ];
        let (response, _) = Response::new(grid, members).unwrap().mirrored();
        let files = speaker_files(
            "A \"b\"",
            &response,
            Some((200.0, 20000.0)),
            "Made up.\nNo \u{7}bell.",
        );
        let wanted = [
            (
                "speaker.toml",
                "# Made up.\n# No  bell.\n[speaker]\nname = 'A \"b\"'\n\n[measured]\n\
                 trusted_from_hz = 200\ntrusted_to_hz = 20000\n\n[orbits]\n\
                 horizontal = \"horizontal.csv\"\n",
            ),
            (
                "horizontal.csv",
                "freq_hz,0,7.5,180\n20,0.00,80.00,-9.00\n33.3333,0.00,1.00,-9.13\n",
            ),
        ];
        let wanted = wanted.map(|(name, text)| (name.to_string(), text.to_string()));
        assert_eq!(files, wanted);
        let head: toml::Table = files[0].1.parse().unwrap();
        assert_eq!(head["speaker"]["name"].as_str(), Some("A \"b\""));
    }

    #[test]
    fn each_orbit_has_its_table() {
        let grid = Grid::new(vec![20.0, 40.0]).unwrap();
        let members = vec![
            member(Orbit::Horizontal, 0.0, vec![0.0, 0.0]),
            member(Orbit::Vertical, -10.0, vec![-1.0, -1.0]),
        ];
        let files = speaker_files("x", &Response::new(grid, members).unwrap(), None, "");
        let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(names, ["speaker.toml", "horizontal.csv", "vertical.csv"]);
        assert!(files[2].1.starts_with("freq_hz,-10\n20,-1.00\n"));
        assert!(!files[0].1.contains("[measured]"));
    }

    #[test]
    fn frequencies_have_as_few_digits_as_keep_them_apart() {
        let grid = Grid::new(vec![1000.0, 1000.0001, 20000.0]).unwrap();
        assert_eq!(frequencies(&grid), ["1000", "1000.0001", "20000"]);
        let grid = Grid::new(vec![1.0, 1.0f64.next_up()]).unwrap();
        assert_eq!(frequencies(&grid), ["1", "1.0000000000000002"]);
        let grid = Grid::logarithmic(20.0, 20000.0, 48.0);
        for (text, f) in frequencies(&grid).iter().zip(grid.freqs_hz()) {
            assert!((text.parse::<f64>().unwrap() / f - 1.0).abs() <= 5e-6);
            assert!(text.len() <= 7, "{text}");
        }
    }
}
