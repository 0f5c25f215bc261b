//! Measured tables as functions: against what the tables were computed from (`tests/reference/circuit/fits.py`, where the
//! versions stand), between their points, outside of them, and through noise.

use earwitness::circuit::measured::Measured;
use earwitness::circuit::table::ImpedanceTable;
use earwitness::circuit::vector_fit::Shape;
use num_complex::Complex64;
use serde_json::Value;

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/circuit/fits.json")).expect("the reference is JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|item| item.as_f64().expect("a number")).collect()
}

fn complex(value: &Value) -> Vec<Complex64> {
    let pair = |value| {
        let parts = numbers(value);
        Complex64::new(parts[0], parts[1])
    };
    value.as_array().expect("a list").iter().map(pair).collect()
}

/// Source: the circuits' own impedances (numpy); scikit-rf's vector fitting (Gustavsen & Semlyen 1999) of the same tables.
#[test]
fn impedances_between_their_points_are_those_of_the_circuit() {
    for case in reference()["impedances"].as_array().expect("cases") {
        let name = case["name"].as_str().expect("a name");
        let rows: Vec<String> = case["rows"]
            .as_array()
            .expect("rows")
            .iter()
            .map(|row| numbers(row).iter().map(f64::to_string).collect::<Vec<_>>().join(","))
            .collect();
        let text = format!("frequency_hz,magnitude_ohm,phase_deg\n{}\n", rows.join("\n"));
        let table = ImpedanceTable::parse(&text, name).expect("a table");
        assert!(table.values().poles().is_some(), "{name} is a circuit");
        let worst = |frequencies: &Value, values: &Value| {
            numbers(frequencies)
                .into_iter()
                .zip(complex(values))
                .map(|(frequency, exact)| (table.impedance(frequency) - exact).norm() / exact.norm())
                .fold(0.0, f64::max)
        };
        let between = worst(&case["between_hz"], &case["between"]);
        let theirs = case["scikit_rf_largest"].as_f64().expect("a number");
        println!(
            "{name}: {} poles, {between:.1e} between the points (scikit-rf {theirs:.1e})",
            table.values().poles().unwrap_or(0)
        );
        assert!(between < 5e-4, "{name}: {between}");
        assert!(between < 3.0 * theirs.max(5e-5), "{name}: {between} against {theirs}");
        let outside = worst(&case["outside_hz"], &case["outside"]);
        println!("  outside {outside:.1e}");
        assert!(outside < 0.03, "{name}: {outside}");
        // Passive at every frequency: no resistance below 0.
        for step in 0..2000 {
            let frequency = 1e-2 * 1e9_f64.powf(f64::from(step) / 2000.0);
            assert!(table.impedance(frequency).re >= 0.0, "{name} at {frequency} Hz");
        }
    }
}

/// Source: the noise is made with a known deviation; what a fit leaves out must be that, and the fit itself much closer.
#[test]
fn noise_is_left_out_and_told() {
    for case in reference()["noisy"].as_array().expect("cases") {
        let name = case["name"].as_str().expect("a name");
        let rows: Vec<Vec<f64>> = case["rows"].as_array().expect("rows").iter().map(numbers).collect();
        let frequencies: Vec<f64> = rows.iter().map(|row| row[0]).collect();
        let values: Vec<Complex64> = rows
            .iter()
            .map(|row| Complex64::from_polar(10_f64.powf(row[1] / 20.0), row[2].to_radians()))
            .collect();
        let measured = Measured::new(&frequencies, &values, Shape::Transfer);
        let level = case["decibels"].as_f64().expect("a number") / 20.0 * std::f64::consts::LN_10;
        let noise = level.hypot(case["degrees"].as_f64().expect("a number").to_radians());
        let left = measured.left_out().rms;
        println!("{name}: {:?} poles, left out {left:.2e} of noise {noise:.2e}", measured.poles());
        assert!(measured.poles().is_some(), "{name} is a circuit");
        assert!((left / noise - 1.0).abs() < 0.2, "{name}: {left} of {noise}");
        let errors: Vec<f64> = numbers(&case["between_hz"])
            .into_iter()
            .zip(complex(&case["between"]))
            .map(|(frequency, exact)| (measured.at(frequency) / exact - 1.0).norm())
            .collect();
        let error = (errors.iter().map(|error| error * error).sum::<f64>() / errors.len() as f64).sqrt();
        println!("  off by {error:.2e}");
        assert!(error < noise / 2.0, "{name}: off by {error}, the noise is {noise}");
    }
}
