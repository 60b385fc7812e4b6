//! The published preference formula against values computed from it elsewhere.

use planish::rating::preference;

/// The reference is printed with nine decimals.
const PRINTED: f64 = 1e-9;

#[test]
fn the_preference_formula_gives_the_reference_values() {
    let text = std::fs::read_to_string("tests/data/olive_pr.csv").unwrap();
    let rows: Vec<[f64; 5]> = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect();
    assert_eq!(rows.len(), 7);
    for [nbd_on_db, nbd_pir_db, extension_hz, sm_pir, wanted] in rows {
        let got = preference(nbd_on_db, nbd_pir_db, extension_hz, sm_pir);
        assert!((got - wanted).abs() < PRINTED, "{got} {wanted}");
    }
}
