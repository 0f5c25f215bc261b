//! Harmonics of known polynomials, in closed form (FFT-free identities), and impedances of known parts.

use earwitness::bench::distortion::{apart, measured};
use earwitness::bench::impedance::{self, Corrections, Kind};
use earwitness::bench::response::Options;
use num_complex::Complex64;

use super::{RATE, Swept, noise, recording};

#[test]
fn harmonics_of_a_polynomial_are_found_down_to_110_db() {
    // y = x + a2 x^2 + a3 x^3 at amplitude A: fundamental A (1 + 3 a3 A^2/4), second A^2 a2/2, third A^3 a3/4 (identity of
    // the cosine's powers).
    let sweep = Swept::new(2.0, 2);
    let amplitude = sweep.peak;
    for (second, third) in [(-40.0, -60.0), (-90.0, -110.0)] {
        let a2 = 2.0 * 10_f64.powf(second / 20.0) / amplitude;
        let a3 = 4.0 * 10_f64.powf(third / 20.0) / (amplitude * amplitude);
        let samples =
            sweep.samples(RATE, 0.001, 0.0).into_iter().map(|x| x + a2 * x * x + a3 * x.powi(3)).collect();
        let sound = recording(vec![samples]);
        let found = measured(&sound.last()).unwrap();
        let fundamental = 20.0 * (1.0 + 0.75 * a3 * amplitude * amplitude).log10();
        for (at, frequency) in found.frequency_hz.iter().enumerate() {
            for (order, level) in [(2, second - fundamental), (3, third - fundamental)] {
                // Above a half and a third of half the rate a polynomial of samples folds back.
                if *frequency * f64::from(order) < 20_000.0 {
                    let own = found.harmonics[order as usize - 2].level_db[at].unwrap();
                    assert!(
                        (own - level).abs() < 0.5,
                        "order {order} at {frequency} Hz: {own} dB, not {level} dB"
                    );
                }
            }
            if *frequency < 4000.0 {
                assert!(found.harmonics[3].level_db[at].unwrap() < -120.0, "the fifth at {frequency} Hz");
                let thd = 100.0
                    * 10_f64
                        .powf((second - fundamental) / 20.0)
                        .hypot(10_f64.powf((third - fundamental) / 20.0));
                assert!(
                    (found.thd_percent[at] / thd - 1.0).abs() < 0.06,
                    "{frequency} Hz: {}",
                    found.thd_percent[at]
                );
            }
        }
        let band = (found.frequency_hz[0], *found.frequency_hz.last().unwrap());
        assert!(band.0 < 75.0 && band.1 > 9000.0, "{band:?}");
    }
}

#[test]
fn a_difference_of_distortion_is_told_from_noise() {
    let sweep = Swept::new(0.9, 3);
    let take = |a2: f64, seed: u64| {
        let samples = sweep.samples(RATE, 0.0, 0.0);
        let noise = noise(samples.len(), 1e-4, seed);
        recording(vec![samples.into_iter().zip(noise).map(|(x, noise)| x + a2 * x * x + noise).collect()])
    };
    let of = |a2: f64, seed: u64| measured(&take(a2, seed).last()).unwrap();
    let (first, again, more) = (of(0.02, 1), of(0.02, 2), of(0.03, 3));
    let same = apart(&first, &again);
    assert!(same.percent.abs() <= same.uncertainty_percent.unwrap(), "{same}");
    assert!(same.to_string().ends_with("not distinguishable from repeating the same cable"), "{same}");
    let other = apart(&more, &first);
    // 0.01 x^2 at a peak of 0.25: 0.125 % of the fundamental more.
    assert!((other.percent - 0.125).abs() < 0.02, "{other}");
    assert!(other.percent > other.uncertainty_percent.unwrap(), "{other}");
    assert!(other.to_string().contains("more than repeating the same signal explains"), "{other}");
}

/// What is on the two channels when `impedance` follows a resistor: applied in the frequency domain.
fn divider(sweep: Swept, transfer: impl Fn(f64) -> Complex64) -> earwitness::bench::recording::Recording {
    use earwitness::clip::fourier::{good_length, signal, spectrum};
    let source = sweep.samples(RATE, 0.0, 0.0);
    let length = good_length(source.len() + 48_000);
    let bins = spectrum(&source, length)
        .into_iter()
        .enumerate()
        .map(|(bin, value)| value * transfer(bin as f64 * RATE / length as f64))
        .collect();
    let mut response = signal(bins, length);
    response.truncate(source.len());
    recording(vec![source, response])
}

#[test]
fn known_parts_are_measured_through_leads_and_unequal_channels() {
    let sweep = Swept::new(0.9, 2);
    let omega = |f: f64| std::f64::consts::TAU * f;
    // A loudspeaker (6.2 ohm, 0.3 mH, a resonance of 20 ohm at 55 Hz), a shorted and an open cable.
    let loudspeaker = |f: f64| {
        let s = Complex64::new(0.0, f / 55.0);
        Complex64::new(6.2, omega(f) * 0.3e-3) + 20.0 * (s / 2.0) / (1.0 + s / 2.0 + s * s)
    };
    let shorted = |f: f64| Complex64::new(0.08, omega(f) * 4e-6);
    let open = |f: f64| Complex64::new(1e-9, omega(f) * 700e-12).inv();
    // Leads of 30 mohm and 0.5 uH, an input of 200 kohm and 150 pF, a second channel 0.1 dB up and 1 us late.
    let leads = |f: f64| Complex64::new(0.03, omega(f) * 0.5e-6);
    let input = |f: f64| Complex64::new(1.0 / 200e3, omega(f) * 150e-12);
    let channel = |f: f64| Complex64::from_polar(10_f64.powf(0.1 / 20.0), -omega(f) * 1e-6);
    let seen = |resistor: f64, part: &dyn Fn(f64) -> Complex64| {
        divider(sweep, |f| {
            let across = (leads(f) + part(f)).inv() + input(f);
            channel(f) / (1.0 + resistor * across)
        })
    };
    for (kind, resistor, part, load) in [
        (Kind::Loudspeaker, 10.0, &loudspeaker as &dyn Fn(f64) -> Complex64, 8.2),
        (Kind::Shorted, 10.0, &shorted, 1.0),
        (Kind::Open, 10_000.0, &open, 10_000.0),
    ] {
        let known = move |_: f64| Complex64::from(load);
        let (nothing, joined) = (|_: f64| Complex64::from(1e12), |_: f64| Complex64::ZERO);
        let (open, short, load_recording) =
            (seen(resistor, &nothing), seen(resistor, &joined), seen(resistor, &known));
        let corrections =
            Corrections { open: Some(&open), short: Some(&short), load: Some((&load_recording, load)) };
        let found =
            impedance::measured(&seen(resistor, part), resistor, &corrections, &Options::default()).unwrap();
        for (frequency, ohm) in found.frequency_hz.iter().zip(&found.ohm).filter(|(f, _)| **f > 60.0) {
            let exact = part(*frequency);
            let off = (ohm - exact).norm() / exact.norm();
            assert!(off < 3e-3, "{kind:?} at {frequency} Hz: {ohm} is not {exact}");
        }
        let table = found.table(kind, "test");
        assert!(table.lines().count() > 200 && table.contains("frequency_hz,"), "{table}");
    }
    // Without corrections, ideal leads give the part.
    let ideal = divider(sweep, |f| loudspeaker(f) / (10.0 + loudspeaker(f)));
    let found = impedance::measured(&ideal, 10.0, &Corrections::default(), &Options::default()).unwrap();
    let at = found.frequency_hz.iter().position(|f| *f > 1000.0).unwrap();
    let exact = loudspeaker(found.frequency_hz[at]);
    assert!((found.ohm[at] - exact).norm() / exact.norm() < 1e-3, "{} {exact}", found.ohm[at]);
    // The channels the wrong way round, and a resistor that is none.
    let swapped = recording(vec![ideal.channels[1].clone(), ideal.channels[0].clone()]);
    let refused = impedance::measured(&swapped, 10.0, &Corrections::default(), &Options::default()).map(drop);
    assert!(refused.expect_err("refused").0.contains("cannot be larger"));
    let refused = impedance::measured(&ideal, 0.0, &Corrections::default(), &Options::default()).map(drop);
    assert!(refused.expect_err("refused").0.contains("the resistor is 0 ohm"));
}
