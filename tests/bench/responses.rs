//! Transfer functions of known filters, with delay, polarity, clock, noise and dropouts.

use earwitness::bench::apart::apart;
use earwitness::bench::recording::Recording;
use earwitness::bench::response::{Note, Options, Response, against_sweep, measured, measured_both_ways};
use serde_json::Value;

use super::{RATE, Swept, between, filtered, noise, numbers, recording, reference};

/// Largest deviations in dB and degrees from scipy's response, from `low` to `high` Hz.
fn deviations(response: &Response, filter: &Value, frequencies: &[f64], low: f64, high: f64) -> (f64, f64) {
    let (gain, phase) = (numbers(&filter["gain_db"]), numbers(&filter["phase_deg"]));
    let (mut db, mut degrees) = (0.0_f64, 0.0_f64);
    for (at, frequency) in frequencies.iter().enumerate().filter(|(_, f)| (low..=high).contains(*f)) {
        db = db.max((between(&response.frequency_hz, &response.gain_db, *frequency) - gain[at]).abs());
        degrees =
            degrees.max((between(&response.frequency_hz, &response.phase_deg, *frequency) - phase[at]).abs());
    }
    (db, degrees)
}

/// Reference and response of a filter from filters.json.
fn pair(filter: &str, sweep: Swept, delay: f64, ppm: f64) -> (Vec<f64>, Vec<f64>) {
    let sections = &reference("filters.json")["filters"][filter]["sections"];
    (sweep.samples(RATE, 0.0, 0.0), filtered(sections, &sweep.samples(RATE, delay, ppm)))
}

#[test]
fn filters_of_scipy_are_measured() {
    // The aims: 0.002 dB, 0.2 degree, 0.02 samples, from 10 Hz to 0.45 of the rate.
    let document = reference("filters.json");
    let frequencies = numbers(&document["frequency_hz"]);
    for (name, samples, sign) in [("shelf", 0.0, 1.0), ("shelf", 10.37, -1.0), ("cable_like", 700.81, 1.0)] {
        let (source, mut response) = pair(name, Swept::new(1.0, 2), samples / RATE, 0.0);
        for value in &mut response {
            *value *= sign;
        }
        let found = measured(&recording(vec![source, response]), &Options::default()).unwrap();
        let (db, degrees) = deviations(&found, &document["filters"][name], &frequencies, 10.0, 21_000.0);
        assert!(db < 0.002, "{name}: {db} dB");
        assert!(degrees < 0.2, "{name}: {degrees} degrees");
        assert!((found.delay_s * RATE - samples).abs() < 0.02, "{name}: {} samples", found.delay_s * RATE);
        assert_eq!(f64::from(found.polarity), sign);
        assert_eq!(found.repeats, 2);
        let band = (found.frequency_hz[0], *found.frequency_hz.last().unwrap());
        assert!(band.0 < 10.001 && band.1 > 0.449 * RATE, "{band:?}");
    }
}

#[test]
fn a_clock_that_drifts_is_found_and_taken_out() {
    // One-channel recordings on another clock, and the same loop without the filter taken out.
    let document = reference("filters.json");
    let frequencies = numbers(&document["frequency_hz"]);
    let sweep = Swept::new(0.8, 3);
    let played = recording(vec![sweep.samples(RATE, 0.0, 0.0)]);
    {
        let ppm = 37.5;
        let (_, response) = pair("shelf", sweep, 0.0311, ppm);
        let found = against_sweep(&recording(vec![response]), &played, None, &Options::default()).unwrap();
        assert!((found.clock_ppm.unwrap() - ppm).abs() < 0.5, "{ppm}: {:?}", found.clock_ppm);
        assert!(
            (found.delay_s * RATE - 0.0311 * RATE).abs() < 0.02,
            "{}",
            found.delay_s * RATE - 0.0311 * RATE
        );
        let (db, degrees) = deviations(&found, &document["filters"]["shelf"], &frequencies, 40.0, 21_000.0);
        assert!(db < 0.002 && degrees < 0.2, "{ppm}: {db} dB, {degrees} degrees");
    }
    // Through an interface that is a filter itself.
    let (_, interface) = pair("cable_like", sweep, 0.02, 10.0);
    let sections = &document["filters"]["shelf"]["sections"];
    let through = recording(vec![filtered(sections, &interface)]);
    let loopback = recording(vec![interface]);
    let found = against_sweep(&through, &played, Some(&loopback), &Options::default()).unwrap();
    let (db, degrees) = deviations(&found, &document["filters"]["shelf"], &frequencies, 40.0, 21_000.0);
    assert!(db < 0.002 && degrees < 0.2, "{db} dB, {degrees} degrees");
    assert!(found.delay_s.abs() * RATE < 0.02, "{}", found.delay_s);
}

#[test]
fn deviations_over_repeats_are_those_of_the_noise() {
    let sweep = Swept::new(0.5, 6);
    let (mut source, mut response) = pair("shelf", sweep, 3.2 / RATE, 0.0);
    let count = source.len();
    for (channel, seed) in [(&mut source, 1), (&mut response, 2)] {
        for (sample, noise) in channel.iter_mut().zip(noise(count, 1e-4, seed)) {
            *sample += noise;
        }
    }
    let found = measured(&recording(vec![source, response]), &Options::default()).unwrap();
    // AES17: a standard deviation of 1e-4 is -76.99 dBFS.
    assert!((found.noise_dbfs.unwrap() + 76.99).abs() < 0.5, "{:?}", found.noise_dbfs);
    let document = reference("filters.json");
    let (gain, std) =
        (numbers(&document["filters"]["shelf"]["gain_db"]), found.gain_std_db.as_ref().unwrap());
    let frequencies = numbers(&document["frequency_hz"]);
    let scaled: Vec<f64> = frequencies
        .iter()
        .enumerate()
        .filter(|(_, frequency)| **frequency > 40.0)
        .map(|(at, frequency)| {
            let error = between(&found.frequency_hz, &found.gain_db, *frequency) - gain[at];
            error / between(&found.frequency_hz, std, *frequency)
        })
        .collect();
    let spread = (scaled.iter().map(|z| z * z).sum::<f64>() / scaled.len() as f64).sqrt();
    // Errors in units of the stated deviation; with six repeats Student's t has a variance of 5/3.
    assert!((0.4..2.6).contains(&spread), "{spread}: {scaled:?}");
}

#[test]
fn a_repeat_with_a_dropout_is_thrown_away_and_said() {
    let sweep = Swept::new(0.5, 4);
    let (source, response) = pair("shelf", sweep, 0.0, 0.0);
    let clean = measured(&recording(vec![source.clone(), response.clone()]), &Options::default()).unwrap();
    let period = ((sweep.length + sweep.pause) * RATE) as usize;
    let middle = (sweep.pause * RATE) as usize + period + period / 4;
    let lost = |channel: &[f64], count: usize| [&channel[..middle], &channel[middle + count..]].concat();
    let silenced = |channel: &[f64]| {
        let mut copy = channel.to_vec();
        copy[middle..middle + 256].fill(0.0);
        copy
    };
    // Samples lost on both channels, few and many; silence on the response alone; a click on it.
    let mut click = response.clone();
    click[middle] += 0.2;
    for (what, channels) in [
        ("480 samples", vec![lost(&source, 480), lost(&response, 480)]),
        ("16 samples", vec![lost(&source, 16), lost(&response, 16)]),
        ("silence", vec![source.clone(), silenced(&response)]),
        ("a click", vec![source.clone(), click]),
    ] {
        let found = measured(&recording(channels), &Options::default()).unwrap();
        let notes: Vec<String> = found.notes.iter().map(ToString::to_string).collect();
        assert_eq!(found.repeats, 3, "{what}: {notes:?}");
        assert!(notes.iter().any(|note| note.contains("repeat 2 has a dropout at")), "{what}: {notes:?}");
        for (a, b) in clean.gain_db.iter().zip(&found.gain_db) {
            assert!((a - b).abs() < 1e-4, "{what}: {a} {b}");
        }
    }
    // The last one cut off.
    let end = source.len() - ((sweep.pause + 0.1) * RATE) as usize;
    let cut = recording(vec![source[..end].to_vec(), response[..end].to_vec()]);
    let found = measured(&cut, &Options::default()).unwrap();
    assert_eq!(found.repeats, 3);
    assert!(found.notes[0].to_string().contains("repeat 4 is cut off"), "{:?}", found.notes);
    // Of two that differ nobody knows the good one.
    let two =
        recording(vec![lost(&source, 16)[..2 * period].to_vec(), lost(&response, 16)[..2 * period].to_vec()]);
    let refused = measured(&two, &Options::default());
    if let Ok(found) = &refused {
        assert_eq!(found.repeats, 1, "only one is whole: {:?}", found.notes);
    }
}

/// A recording of its own counts its own sounds: one that is split, or preceded by something else, is no other sweep.
#[test]
fn sweeps_are_matched_by_their_places_and_not_by_how_many_sounds_came_before() {
    let played = |repeats| recording(vec![Swept::new(0.5, repeats).samples(RATE, 0.0, 0.0)]);
    let measured = |played: &Recording, response: Vec<f64>| {
        against_sweep(&recording(vec![response]), played, None, &Options::default()).expect("a response")
    };
    let (thrice, (_, three)) = (played(3), pair("shelf", Swept::new(0.5, 3), 0.0, 0.0));
    let clean = measured(&thrice, three.clone());
    let sweep = Swept::new(0.5, 3);
    let split = |repeats: usize| {
        let mut copy = three.clone();
        for repeat in 0..repeats {
            let begun = ((sweep.pause + repeat as f64 * (sweep.length + sweep.pause)) * RATE) as usize;
            copy[begun + 8_000..begun + 14_000].fill(0.0);
        }
        copy
    };
    let found = measured(&thrice, split(1));
    assert_eq!(found.repeats, 2, "{:?}", found.notes);
    for (a, b) in clean.gain_db.iter().zip(&found.gain_db) {
        assert!((a - b).abs() < 1e-3, "{a} {b}");
    }
}

/// A file with one sweep can be played any number of times: nobody knows when, so no clock is compared, and nothing was lost.
#[test]
fn sweeps_of_a_file_with_one_have_no_times() {
    let document = reference("filters.json");
    let frequencies = numbers(&document["frequency_hz"]);
    let played = recording(vec![Swept::new(0.5, 1).samples(RATE, 0.0, 0.0)]);
    let heard = |repeats| recording(vec![pair("shelf", Swept::new(0.5, repeats), 0.0311, 0.0).1]);
    for (repeats, note) in [(1, Note::OneRepeat), (3, Note::NoTimes)] {
        let found = against_sweep(&heard(repeats), &played, None, &Options::default()).unwrap();
        assert_eq!(found.repeats, repeats, "{:?}", found.notes);
        assert_eq!(found.notes, [note]);
        assert_eq!((found.clock_ppm, found.gain_std_db.is_some()), (None, repeats > 1));
        let (db, degrees) = deviations(&found, &document["filters"]["shelf"], &frequencies, 40.0, 21_000.0);
        assert!(db < 0.002 && degrees < 0.2, "{repeats}: {db} dB, {degrees} degrees");
        assert!((found.delay_s - 0.0311).abs() * RATE < 0.02, "{}", found.delay_s * RATE);
    }
    // The same file on the interface alone, played as often or not.
    let found = against_sweep(&heard(3), &played, Some(&played), &Options::default()).unwrap();
    assert_eq!((found.repeats, found.clock_ppm), (1, None), "{:?}", found.notes);
    assert!(!found.notes.contains(&Note::LostBetween), "{:?}", found.notes);
}

#[test]
fn interchanged_inputs_cancel_what_they_differ_by() {
    // The second input is 0.05 dB more sensitive and a tenth of a sample later.
    let sweep = Swept::new(0.6, 2);
    let sections = &reference("filters.json")["filters"]["shelf"]["sections"];
    let gain = 10_f64.powf(0.05 / 20.0);
    let later = |samples: Vec<f64>| samples.into_iter().map(|sample| gain * sample).collect::<Vec<f64>>();
    let (direct, delayed) = (sweep.samples(RATE, 0.0, 0.0), sweep.samples(RATE, 0.1 / RATE, 0.0));
    let first = recording(vec![direct.clone(), later(filtered(sections, &delayed))]);
    let second = recording(vec![filtered(sections, &direct), later(delayed)]);
    let found = measured_both_ways(&first, &second, &Options::default()).unwrap();
    let document = reference("filters.json");
    let frequencies = numbers(&document["frequency_hz"]);
    let (db, degrees) = deviations(&found, &document["filters"]["shelf"], &frequencies, 40.0, 21_000.0);
    assert!(db < 0.002 && degrees < 0.2, "{db} dB, {degrees} degrees");
    assert!(
        found.notes.iter().any(|note| note.to_string().contains("differ by up to 0.05")),
        "{:?}",
        found.notes
    );
}

fn refusal(recording: &Recording) -> String {
    measured(recording, &Options::default()).map(drop).expect_err("refused").0
}

#[test]
fn bad_recordings_are_refused_with_what_to_do() {
    let sweep = Swept::new(0.5, 2);
    let (source, response) = pair("shelf", sweep, 0.0, 0.0);
    let silent = vec![0.0; source.len()];
    let clipped: Vec<f64> = response.iter().map(|sample| (8.0 * sample).clamp(-1.0, 1.0)).collect();
    let soft: Vec<f64> = response.iter().map(|sample| (3.0 * sample).clamp(-0.31, 0.31)).collect();
    let mut rustle = noise(source.len(), 0.1, 3);
    rustle[..20_000].fill(0.0);
    rustle[60_000..].fill(0.0);
    let begun = (sweep.pause * RATE) as usize + 10_000;
    for (channels, words) in [
        (vec![source.clone()], ["one channel", "--sweep"]),
        (vec![source.clone(), silent.clone()], ["channel 2: it is silent", "Check the lead"]),
        (vec![silent, response.clone()], ["channel 1: it is silent", "which input is which"]),
        (vec![source.clone(), clipped], ["channel 2: it is clipped, first at", "by 6 dB"]),
        (vec![source.clone(), soft], ["channel 2: it is clipped", "\u{2212}10.17 dBFS"]),
        (vec![rustle.clone(), rustle], ["no exponential sweep", "bench sweep"]),
        (
            vec![source[begun..begun + 9000].to_vec(), response[begun..begun + 9000].to_vec()],
            ["in the middle", "silence"],
        ),
    ] {
        let message = refusal(&recording(channels));
        for word in words {
            assert!(message.contains(word), "\"{word}\" is missing in: {message}");
        }
    }
    // Channels the wrong way round: the response is louder than what it came from.
    let halved: Vec<f64> = response.iter().map(|sample| 0.8 * sample).collect();
    let found = measured(&recording(vec![halved.clone(), source.clone()]), &Options::default()).unwrap();
    assert!(found.notes.iter().any(|note| note.to_string().contains("--swap")), "{:?}", found.notes);
    let options = Options { swapped: true, ..Options::default() };
    assert!(measured(&recording(vec![halved, source.clone()]), &options).unwrap().gain_db[100] < -1.0);
    // Another sweep, and another rate, than the one that was played.
    let other = Swept::new(0.8, 2);
    let played = recording(vec![other.samples(RATE, 0.0, 0.0)]);
    let message = against_sweep(&recording(vec![response.clone()]), &played, None, &Options::default())
        .expect_err("refused")
        .0;
    assert!(message.contains("does not hold the sweep") && message.contains("dropout"), "{message}");
    let played = Recording::new("played.wav", 96_000, vec![source]).unwrap();
    let message = against_sweep(&recording(vec![response]), &played, None, &Options::default())
        .map(drop)
        .expect_err("refused")
        .0;
    assert!(message.contains("96000 Hz") && message.contains("rate of the sweep"), "{message}");
}

#[test]
fn a_steep_low_pass_is_right_at_its_own_frequencies() {
    // A Butterworth low pass of second order at 15 kHz by the bilinear transform: closed form (Oppenheim & Schafer,
    // Discrete-Time Signal Processing, 7.1), held at the frequencies that are measured, so that no interpolation counts.
    let k = (std::f64::consts::PI * 15_000.0 / RATE).tan();
    let (root, norm) = (std::f64::consts::SQRT_2, 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k));
    let section = [
        k * k * norm,
        2.0 * k * k * norm,
        k * k * norm,
        1.0,
        2.0 * (k * k - 1.0) * norm,
        (1.0 - root * k + k * k) * norm,
    ];
    let sections = serde_json::json!([section]);
    let source = Swept::new(1.0, 2).samples(RATE, 0.0, 0.0);
    let response = filtered(&sections, &source);
    let found = measured(&recording(vec![source, response]), &Options::default()).unwrap();
    let (mut db, mut worst) = (0.0_f64, 0.0);
    for (frequency, gain) in found.frequency_hz.iter().zip(&found.gain_db) {
        let z = num_complex::Complex64::cis(-std::f64::consts::TAU * frequency / RATE);
        let exact =
            (section[0] + z * (section[1] + z * section[2])) / (1.0 + z * (section[4] + z * section[5]));
        let error = (gain - 20.0 * exact.norm().log10()).abs();
        if error > db {
            (db, worst) = (error, *frequency);
        }
    }
    assert!(db < 0.002, "{db} dB at {worst} Hz");
}

#[test]
fn two_responses_are_told_apart_or_not() {
    let sweep = Swept::new(0.6, 4);
    let take = |filter: Option<&str>, seed: u64| {
        let (source, shelf) = pair("shelf", sweep, 0.0, 0.0);
        let heard = if filter.is_some() { shelf } else { source.clone() };
        let hiss = noise(source.len(), 2e-4, seed);
        let heard = heard.into_iter().zip(hiss).map(|(sample, hiss)| sample + hiss).collect();
        measured(&recording(vec![source, heard]), &Options::default()).unwrap()
    };
    let (first, again, other) = (take(None, 1), take(None, 2), take(Some("shelf"), 3));
    let same = apart(&first, &again).unwrap();
    assert_eq!(same.is_there, Some(false), "{same}");
    assert!(same.to_string().ends_with("not distinguishable from repeating the same cable"), "{same}");
    let different = apart(&first, &other).unwrap();
    assert_eq!(different.is_there, Some(true), "{different}");
    let gains = numbers(&reference("filters.json")["filters"]["shelf"]["gain_db"]);
    let largest = gains.iter().fold(0.0_f64, |most, gain| most.max(gain.abs()));
    assert!((different.largest_db - largest).abs() < 0.05, "{different}, not {largest}");
    // One in twenty of the points of the same cable twice lies outside of its own uncertainty, no matter where.
    let uncertainty = same.uncertainty_db.as_ref().unwrap();
    let outside = same.gain_db.iter().zip(uncertainty).filter(|(gain, own)| gain.abs() > **own).count();
    let share = outside as f64 / same.gain_db.len() as f64;
    assert!((0.0..0.12).contains(&share), "{share}");
    let elsewhere = measured(
        &recording(vec![
            Swept::new(0.8, 2).samples(RATE, 0.0, 0.0),
            Swept::new(0.8, 2).samples(RATE, 0.0, 0.0),
        ]),
        &Options { per_octave: 12.0, ..Options::default() },
    )
    .unwrap();
    assert!(apart(&first, &elsewhere).expect_err("refused").0.contains("different sweeps"));
}
