//! The ready-made loads say that they are invented and are what their names promise.

use earwitness::circuit::loudspeaker::Load;
use earwitness::circuit::table::ImpedanceTable;

fn load(name: &str) -> ImpedanceTable {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions/loads").join(name);
    let text = std::fs::read_to_string(path).expect("the load is there");
    assert!(text.starts_with("# Invented"), "{name} says that it is invented");
    ImpedanceTable::parse(&text, name).expect("the load can be read")
}

#[test]
fn ready_made_loads_are_what_they_say() {
    for (name, least, most) in
        [("two-way-benign.csv", 6.4, 8.0), ("three-way-nasty.csv", 2.0, 3.2), ("electrostatic.csv", 0.9, 1.1)]
    {
        let table = load(name);
        for step in 0..400 {
            let value = table.impedance(20.0 * 1000_f64.powf(f64::from(step) / 399.0));
            assert!(value.re > 0.0, "{name} is passive");
        }
        let mut loudspeaker = earwitness::circuit::Loudspeaker::resistor(8.0);
        loudspeaker.load = Load::Table(table);
        let (lowest, _) = loudspeaker.lowest_impedance(20.0, 20_000.0);
        assert!(lowest > least && lowest < most, "{name}: {lowest}");
    }
    let at_20k = load("electrostatic.csv").impedance(20_000.0);
    assert!((at_20k.norm() - 1.0).abs() < 0.02, "{at_20k}");
}
