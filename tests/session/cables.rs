//! Keys of cables: tolerances, contacts, data sheets, insulation, strips, braids, bi-wiring.

use std::path::Path;

use earwitness::circuit::cable::Cable;
use earwitness::circuit::limit::Quantity;
use earwitness::session::parse;

use super::reading::SMALLEST;

const PAIR: &str = "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"0.75 mm2\"\nspacing = \"3.2 mm\"\npermittivity = 3.5\n";

/// The session with other keys for its cable `thin`, or the complaint.
fn with(cable: &str) -> Result<earwitness::session::Session, String> {
    assert!(SMALLEST.contains(PAIR));
    let text = SMALLEST.replace(PAIR, cable);
    parse(Path::new("here/session.toml"), &text).map_err(|error| error.to_string())
}

fn complaint(cable: &str) -> String {
    with(cable).expect_err("it is wrong")
}

/// R, L, C of the whole cable at 1 kHz.
fn totals(cable: &str) -> [f64; 3] {
    let found = with(cable).expect("it is valid").chain(0).parameters(&[1000.0]).expect("solvable");
    [found.loop_resistance_ohm, found.loop_inductance_h, found.capacitance_f]
        .map(|value| value.expect("known")[0])
}

#[test]
fn tolerances_and_contacts_are_read_with_their_units() {
    let session = with(&format!(
        "{PAIR}resistance_tolerance = \"0.5 %\"\ninductance_tolerance = \"4 %\"\ncapacitance_tolerance = \"1000 ppm\"\n\
         length_tolerance = \"3 cm\"\ncontact_resistance = \"5 mohm\"\n"
    ))
    .expect("it is valid");
    let Cable::Toleranced(known) = &session.cables[0].cable else { panic!("a cable with tolerances") };
    let of =
        |quantity| known.limits.iter().find(|limit| limit.quantity == quantity).map(|limit| limit.half_width);
    assert_eq!(known.contact_ohm, 0.005);
    assert_eq!(of(Quantity::Resistance), Some(0.005));
    assert_eq!(of(Quantity::Inductance), Some(0.04));
    assert!((of(Quantity::Capacitance).expect("given") - 0.001).abs() < 1e-15);
    assert!((of(Quantity::Length).expect("given") - 0.005).abs() < 1e-15);
    assert_eq!(of(Quantity::Contacts), Some(0.5));
    assert_eq!(of(Quantity::MeterResistance), None);
    // Four joints lie in the loop, and nothing else changes.
    let (with_contacts, bare) = (totals(&format!("{PAIR}contact_resistance = \"5 mohm\"\n")), totals(PAIR));
    assert!((with_contacts[0] - bare[0] - 0.02).abs() < 1e-12);
    assert_eq!(with_contacts[1..], bare[1..]);
}

#[test]
fn wrong_tolerances_are_refused_with_what_to_do() {
    for (keys, expected) in [
        ("resistance_tolerance = 0.5\n", "has no unit"),
        ("resistance_tolerance = \"5 mohm\"\n", "%"),
        ("resistance_tolerance = \"95 %\"\n", "at most 90 %"),
        ("resistance_tolerance = \"-1 %\"\n", "must not be negative"),
        ("length_tolerance = \"6 m\"\n", "too much"),
        ("contact_tolerance = \"10 %\"\n", "needs contact_resistance"),
        ("lcr_accuracy = \"0.05 %\"\n", "no lcr_table"),
        ("gain_tolerance = \"0.1 dB\"\n", "resistance_tolerance"),
        ("resistance_tolerence = \"1 %\"\n", "did you mean `resistance_tolerance`"),
    ] {
        let found = complaint(&format!("{PAIR}{keys}"));
        assert!(found.contains(expected) && found.contains("here/session.toml:"), "{keys}: {found}");
    }
    let bi = "contact_resistance = \"5 mohm\"\nlow = { construction = \"direct\" }\nhigh = { construction = \"direct\" }\n";
    assert!(complaint(bi).contains("each of its two cables"), "{}", complaint(bi));
}

#[test]
fn a_meters_accuracy_is_one_share_or_three() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(
        folder.path().join("cable.csv"),
        "frequency_hz,series_resistance_ohm,series_inductance_h,parallel_capacitance_f\n20,0.1,2e-6,1e-9\n20000,0.11,2e-6,1e-9\n",
    )
    .expect("written");
    let limits = |accuracy: &str| {
        let cable =
            format!("lcr_table = \"cable.csv\"\nsample_length = \"3 m\"\nlcr_accuracy = {accuracy}\n");
        let text = SMALLEST.replace(PAIR, &cable);
        let session = parse(&folder.path().join("session.toml"), &text).expect("it is valid");
        let Cable::Toleranced(known) = &session.cables[0].cable else { panic!("a cable with tolerances") };
        known.limits.iter().map(|limit| (limit.quantity.name(), limit.half_width)).collect::<Vec<_>>()
    };
    assert_eq!(
        limits("\"0.1 %\""),
        [("meter-resistance", 0.001), ("meter-inductance", 0.001), ("meter-capacitance", 0.001)]
    );
    assert_eq!(
        limits("{ resistance = \"0.2 %\", capacitance = \"1 %\" }"),
        [("meter-resistance", 0.002), ("meter-capacitance", 0.01)]
    );
}

#[test]
fn every_new_construction_is_read() {
    let sheet = "construction = \"data-sheet\"\nlength = \"10 ft\"\nconductor = \"14 AWG\"\ninductance = \"0.2 uH/ft\"\ncapacitance = \"24 pF/ft\"\n";
    let found = totals(sheet);
    assert!((found[1] - 2e-6).abs() < 1e-15 && (found[2] - 240e-12).abs() < 1e-18, "{found:?}");
    let given = totals(&format!("{sheet}resistance = \"5 mohm/ft\"\n"));
    assert!((given[0] / 0.05 - 1.0).abs() < 0.01, "{given:?}");
    assert!(complaint(&sheet.replace("0.2 uH/ft", "0.2 nH/ft")).contains("unit"));
    let insulated =
        PAIR.replace("permittivity = 3.5", "insulation = \"pvc\"\ninsulation_thickness = \"0.8 mm\"");
    let (air, coated) = (totals(&PAIR.replace("permittivity = 3.5", "permittivity = 1")), totals(&insulated));
    let effective = coated[2] / air[2];
    assert!(effective > 1.5 && effective < 5.0, "{effective}");
    assert!(complaint(&format!("{insulated}permittivity = 3\n")).contains("keep one"));
    let flat = "construction = \"flat-pair\"\nlength = \"3 m\"\nwidth = \"10 mm\"\nthickness = \"0.3 mm\"\nspacing = \"0.6 mm\"\n";
    assert!(totals(flat)[1] < 1e-6, "{:?}", totals(flat));
    assert!(totals(&format!("{flat}arrangement = \"side-by-side\"\n").replace("0.6 mm", "11 mm"))[1] > 1e-6);
    let braid = "construction = \"braid\"\nlength = \"3 m\"\nconductor = \"1.02 mm\"\nconductors = 8\ncircle_diameter = \"6 mm\"\nlay_length = \"60 mm\"\ninsulation_thickness = \"0.2 mm\"\n";
    let (directed, mixed) = (totals(braid), totals(&format!("{braid}polarity = \"mixed\"\n")));
    assert!(mixed[1] > 1.1 * directed[1], "{directed:?} {mixed:?}");
    let litz = PAIR.replace("conductor", "strands = 19\ninsulated_strands = true\nconductor");
    assert!((totals(&litz)[0] / totals(PAIR)[0] - 1.0).abs() < 0.01);
    assert!(
        complaint(&PAIR.replace("conductor", "insulated_strands = true\nconductor"))
            .contains("only one strand")
    );
}

/// Material and temperature on a cable are what its conductors are made of, unless they say otherwise.
#[test]
fn a_cross_section_hands_material_and_temperature_down() {
    let of = |usual: &str, second: &str| {
        totals(&format!(
            "construction = \"cross-section\"\nlength = \"6 m\"\n{usual}conductors = [{{ polarity = \"+\", x = \"0 mm\", y = \"0 \
             mm\", conductor = \"1 mm2\" }}, {{ polarity = \"-\", x = \"3 mm\", y = \"0 mm\", conductor = \"1 mm2\"{second} }}]\n"
        ))[0]
    };
    let copper = of("", "");
    // IEC 60889: 28.264 nohm m against copper's 17.241.
    let aluminium = of("material = \"aluminium\"\n", "");
    assert!((aluminium / copper / (28.264 / 17.241) - 1.0).abs() < 1e-3, "{aluminium} {copper}");
    let one = of("material = \"aluminium\"\n", ", material = \"copper\"");
    assert!((one - 0.5 * (aluminium + copper)).abs() < 1e-3 * one);
    let warm = of("temperature = \"70 C\"\n", "");
    assert!((warm / copper / (1.0 + 0.00393 * 50.0) - 1.0).abs() < 1e-3, "{warm} {copper}");
}

#[test]
fn what_bi_wiring_and_side_by_side_leave_out_is_said() {
    let session = with(&format!("{PAIR}count = 2\n")).expect("it is valid");
    assert!(session.notes.iter().any(|note| note.contains("side by side") && note.contains("cables.thin")));
    let network = "loudspeaker = { network = [{ way = \"a\", terminals = \"low\", place = \"shunt\", resistance = \"8 ohm\" }, { way = \"b\", terminals = \"high\", place = \"shunt\", resistance = \"8 ohm\" }] }";
    let text = SMALLEST
        .replace("loudspeaker = { resistance = \"8 ohm\" }", network)
        .replace(PAIR, "bi_wired_voltage = \"in-phase-sum\"\nlow = { construction = \"direct\" }\nhigh = { construction = \"direct\" }\n");
    let session = parse(Path::new("here/session.toml"), &text).expect("it is valid");
    assert!(session.notes.iter().any(|note| note.contains("in phase") && note.contains("two voltages")));
}
