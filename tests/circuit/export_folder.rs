//! A folder of exports as meters and analysers write them (`exports/`, all invented), and what each must give.

use earwitness::circuit::line::PerMetre;
use earwitness::circuit::table::{ImpedanceTable, LcrTable, ResponseTable, decode};
use num_complex::Complex64;

use super::{close, near};

fn text(name: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/circuit/exports").join(name);
    decode(&std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display())))
}

/// The invented cable of the folder, 2 m of it: Hz, ohm, henry, farad, dissipation factor.
const CABLE: [[f64; 5]; 5] = [
    [100.0, 0.0410, 2.00e-6, 90e-12, 0.010],
    [1000.0, 0.0420, 1.95e-6, 89e-12, 0.012],
    [10_000.0, 0.0450, 1.90e-6, 88e-12, 0.020],
    [20_000.0, 0.0480, 1.85e-6, 87e-12, 0.022],
    [100_000.0, 0.0610, 1.70e-6, 86e-12, 0.030],
];

fn is_the_cable(found: &LcrTable, name: &str) {
    for [frequency, resistance, inductance, capacitance, factor] in CABLE {
        let PerMetre { resistance: r, inductance: l, capacitance: c, conductance: g } =
            found.per_metre(frequency);
        close(2.0 * r, resistance, 1e-7, name);
        close(2.0 * l, inductance, 1e-7, name);
        close(2.0 * c, capacitance, 1e-7, name);
        close(2.0 * g, factor * std::f64::consts::TAU * frequency * capacitance, 1e-6, name);
    }
    assert_eq!(found.range_hz(), (100.0, 100_000.0), "{name}");
}

#[test]
fn every_export_of_the_cable_is_the_cable() {
    for (name, said) in [
        ("descending.csv", &["sorted"][..]),
        ("duplicates.csv", &["sorted", "2 frequencies", "averaged"]),
        ("prefixed-cells.csv", &[]),
        ("prefixes-in-heads.csv", &[]),
        ("german.csv", &[]),
        ("french.csv", &[]),
        ("italian.csv", &[]),
        ("footer.csv", &["under the table", "line 8"]),
        ("overload.csv", &["3 rows without a reading", "line 4"]),
        ("utf-16-little-end.csv", &[]),
        ("utf-16-big-end-unmarked.csv", &[]),
    ] {
        let found = LcrTable::parse(&text(name), name, 2.0).unwrap_or_else(|error| panic!("{error}"));
        is_the_cable(&found, name);
        let notes = found.notes().join("\n");
        assert!(said.iter().all(|word| notes.contains(word)), "{name}: {notes}");
        assert_eq!(notes.is_empty(), said.is_empty(), "{name}: {notes}");
    }
}

#[test]
fn both_ends_of_two_files_are_the_cable() {
    for (shorted, open) in [
        ("primary-secondary-shorted.csv", "primary-secondary-open.csv"),
        ("z-theta-shorted.csv", "z-theta-open.csv"),
        ("ls-q.csv", "cp-g.csv"),
        ("ls-q.csv", "cp-rp.csv"),
        ("z-theta-shorted.csv", "primary-secondary-open.csv"),
    ] {
        let found = LcrTable::parse_two((&text(shorted), shorted), (&text(open), open), 2.0)
            .unwrap_or_else(|error| panic!("{error}"));
        is_the_cable(&found, &format!("{shorted}, {open}"));
    }
}

#[test]
fn one_row_of_a_handheld_meter_is_held_and_said() {
    let found = LcrTable::parse(&text("one-row.csv"), "one-row.csv", 2.0).expect("readable");
    for frequency in [0.0, 20.0, 1000.0, 20_000.0] {
        let metre = found.per_metre(frequency);
        close(2.0 * metre.resistance, 0.042, 1e-12, "resistance");
        close(2.0 * metre.inductance, 1.95e-6, 1e-12, "inductance");
        close(2.0 * metre.capacitance, 89e-12, 1e-12, "capacitance");
    }
    assert!(found.notes().join("").contains("one point, 1000 Hz"), "{:?}", found.notes());
    let error = ImpedanceTable::parse("f,Z,phase\n1000,8,0\n", "one.csv").expect_err("one point").to_string();
    assert!(error.contains("one.csv:2") && error.contains("at least two"), "{error}");
}

#[test]
fn loads_in_radians_and_in_other_languages_are_the_load() {
    // What the folder's loads were computed from: a driver of 6 ohm, 0.4 mH, 45 Hz, Qms 4.5, Qms/Qes 10.
    let exact = |f: f64| {
        let x = Complex64::new(0.0, f / 45.0);
        let coil = Complex64::new(6.0, std::f64::consts::TAU * f * 0.4e-3);
        coil + 60.0 * (x / 4.5) / (1.0 + x / 4.5 + x * x)
    };
    for name in ["load-radians.csv", "load-japanese.csv"] {
        let table = ImpedanceTable::parse(&text(name), name).unwrap_or_else(|error| panic!("{error}"));
        for frequency in [20.0, 33.0, 45.0, 60.0, 150.0, 1e3, 7e3, 2e4] {
            near(table.impedance(frequency), exact(frequency), 1e-4, &format!("{name} at {frequency} Hz"));
        }
    }
    let small = ImpedanceTable::parse("f,Z,phase\n20,8,0.5\n200,8,-0.4\n2000,8,1.1\n", "small.csv")
        .expect("readable");
    assert!(small.notes().join("").contains("phase (rad)"), "{:?}", small.notes());
}

#[test]
fn distortion_columns_are_kept() {
    let table = ResponseTable::parse(&text("analyser-response.csv"), "a.csv").expect("readable");
    close(table.excess().delay_s, 1.5e-3, 1e-3, "delay");
    let [Some((thd, at)), Some((with_noise, _))] = table.distortion().largest() else {
        panic!("both are there")
    };
    close(thd, 0.002 + 0.05 / 20.0, 0.02, "THD in percent");
    close(at, 20.0, 1e-9, "at the lowest frequency");
    // -80 dB + 10 dB exp(-0.2) at 20 Hz.
    close(
        with_noise,
        100.0 * 10_f64.powf((-80.0 + 10.0 * (-0.2_f64).exp()) / 20.0),
        0.01,
        "THD+N in percent",
    );
    let bare =
        ResponseTable::parse("f,gain,phase,thd\n20,0,0,-80\n2000,0,0,-60\n", "b.csv").expect("readable");
    close(bare.distortion().largest()[0].expect("kept").0, 0.1, 1e-9, "decibels are below 0");
}

#[test]
fn absurd_numbers_name_file_column_and_likely_unit() {
    for (name, words) in [
        ("no-units.csv", &["no-units.csv:2", "rs", "no unit", "mohm"][..]),
        ("megohm.csv", &["megohm.csv:2", "MOhm", "milliohm"]),
    ] {
        let error = LcrTable::parse(&text(name), name, 2.0).expect_err(name).to_string();
        assert!(words.iter().all(|word| error.contains(word)), "{name}: {error}");
    }
    for (heads, words) in
        [("Freq,Rs (mohm),Ls,Cp", ["column ls", "uH"]), ("Freq,Rs (mohm),Ls (uH),Cp", ["column cp", "pF"])]
    {
        let error = LcrTable::parse(&format!("{heads}\n100,41,2,90\n1000,42,1.9,89\n"), "x.csv", 2.0)
            .expect_err(heads)
            .to_string();
        assert!(
            words.iter().all(|word| error.contains(word)) && error.contains("x.csv:1"),
            "{heads}: {error}"
        );
    }
}
