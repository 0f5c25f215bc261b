//! Recordings as stimuli: aligned, held against each other, sealed, and played blind.

use std::fmt::Write as _;
use std::path::Path;

use earwitness::session::Session;
use earwitness::stimulus::recorded::RecordedFacts;
use earwitness::stimulus::{NoProgress, PairKind, StimulusSet, prepare, survey};
use earwitness::trial::register::{self, Entry};
use earwitness::trial::{Digest, Record, chain, journal};

use super::{RATE, filtered, music, noise, numbers, reference, write};
use crate::commands::earwitness;

/// Length of the clip in seconds.
const SECONDS: f64 = 1.2;

/// The invented music for a while, with silence before and after, at a rate that runs too fast by `ppm`, `delay` seconds late.
fn heard(delay: f64, ppm: f64) -> Vec<f64> {
    let rate = RATE * (1.0 + ppm * 1e-6);
    (0..((SECONDS + 0.9) * RATE) as usize)
        .map(|n| {
            let time = n as f64 / rate - delay;
            // It rises and falls, as the clip that is played does.
            let edge = (time / 0.05).min((SECONDS - time) / 0.05).clamp(0.0, 1.0);
            music(time) * (0.5 - 0.5 * (std::f64::consts::PI * edge).cos())
        })
        .collect()
}

/// A capture: what it is of, the equipment that is the same for all, and what is not.
struct Capture {
    shelf: bool,
    delay: f64,
    ppm: f64,
    volume: f64,
    reversed: bool,
    hiss: f64,
    seed: u64,
}

impl Capture {
    fn of(shelf: bool, delay: f64, seed: u64) -> Self {
        Self { shelf, delay, ppm: 12.0, volume: 0.5, reversed: false, hiss: 1e-6, seed }
    }

    /// Reference and response.
    fn channels(&self) -> [Vec<f64>; 2] {
        let played: Vec<f64> =
            heard(self.delay, self.ppm).into_iter().map(|sample| self.volume * sample).collect();
        let sections = &reference("filters.json")["filters"]["shelf"]["sections"];
        let response = if self.shelf { filtered(sections, &played) } else { played.clone() };
        let sign = if self.reversed { -1.0 } else { 1.0 };
        let noisy = |samples: Vec<f64>, seed: u64, sign: f64| {
            let noise = noise(samples.len(), self.hiss, seed);
            samples.into_iter().zip(noise).map(|(sample, noise)| sign * sample + noise).collect()
        };
        [noisy(played, 100 + self.seed, 1.0), noisy(response, self.seed, sign)]
    }

    fn write(&self, path: &Path) {
        let [reference, response] = self.channels();
        write(path, RATE as u32, &[&reference, &response]);
    }
}

/// The tables of a session; `keys` belong to the cable of side B.
fn text(keys: &str, rest: &str) -> String {
    format!(
        "title = \"Invented\"\ninvented = true\nprotocol = \"abx\"\ntrials = 8\n[amplifier]\noutput_resistance = \"0 ohm\"\n\
         [loudspeaker]\nresistance = \"8 ohm\"\n[cables.long]\nresponse = \"long.csv\"\nrecording = \"long.wav\"\n\
         recording_again = \"again.wav\"\n[cables.short]\nconstruction = \"direct\"\n{keys}\n[clips.music]\nfile = \"music.wav\"\n\
         [[comparisons]]\nname = \"pair\"\na = \"long\"\nb = \"short\"\n[[controls]]\nkind = \"identical\"\ntrials = 2\n\
         [[controls]]\nkind = \"level\"\namount = \"1 dB\"\ntrials = 2\n{rest}\n"
    )
}

/// A folder with the clip, two recordings of a cable that is a shelf and one of a cable that is nothing.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let clip = heard(0.0, 0.0);
    write(&folder.path().join("music.wav"), RATE as u32, &[&clip[..(SECONDS * RATE) as usize]]);
    Capture::of(true, 0.412_34, 1).write(&folder.path().join("long.wav"));
    Capture::of(true, 0.377_7, 2).write(&folder.path().join("again.wav"));
    // Another volume: the reference tells, and it cancels.
    Capture { volume: 0.4, ..Capture::of(false, 0.5, 3) }.write(&folder.path().join("short.wav"));
    let filters = reference("filters.json");
    let shelf = &filters["filters"]["shelf"];
    let mut table = String::from("frequency_hz,gain_db,phase_deg\n");
    for ((frequency, gain), phase) in numbers(&filters["frequency_hz"])
        .iter()
        .zip(numbers(&shelf["gain_db"]))
        .zip(numbers(&shelf["phase_deg"]))
    {
        let _ = writeln!(table, "{frequency},{gain},{phase}");
    }
    std::fs::write(folder.path().join("long.csv"), table).unwrap();
    folder
}

fn parsed(folder: &Path, keys: &str, rest: &str) -> Result<Session, String> {
    let text = text(keys, rest);
    earwitness::session::parse(&folder.join("session.toml"), &text).map_err(|error| error.to_string())
}

fn made(session: &Session) -> Result<StimulusSet, String> {
    prepare(session, &NoProgress).map_err(|error| error.to_string())
}

#[test]
fn recordings_are_played_aligned_and_their_difference_is_the_cables() {
    let folder = folder();
    let session = parsed(folder.path(), "recording = \"short.wav\"", "").unwrap();
    assert_eq!(
        session.inputs.iter().map(|input| &*input.name).collect::<Vec<_>>(),
        ["long.csv", "long.wav", "again.wav", "short.wav", "music.wav"]
    );
    let set = made(&session).unwrap();
    let kind = PairKind::Comparison { comparison: 0, clip: 0 };
    let pair = set.pair(kind).unwrap();
    let clip = (SECONDS * RATE) as usize;
    assert_eq!((pair.a.frames, pair.b.frames, pair.a.channels), (clip as u64, clip as u64, 1));
    let heard_b = pair.b.sound().unwrap();
    // B is the clip itself, but for the noise of two channels and the fades.
    let exact = heard(0.0, 0.0);
    let scale = 10_f64.powf(set.levels[0].common_gain_db / 20.0);
    let middle = 4800..clip - 4800;
    let power = |values: &mut dyn Iterator<Item = f64>| values.map(|value| value * value).sum::<f64>();
    let left = power(&mut middle.clone().map(|n| f64::from(heard_b.samples[n]) - scale * exact[n]))
        / power(&mut middle.clone().map(|n| scale * exact[n]));
    assert!(10.0 * left.log10() < -84.0, "{} dB", 10.0 * left.log10());
    // The control of the same cable twice: two recordings, of which only the noise differs.
    let control = set.pair(PairKind::Control { control: 0, comparison: 0, clip: 0 }).unwrap();
    assert_eq!(control.digest_a, pair.digest_a);
    assert_ne!(control.digest_b, control.digest_a);
    let (a, b) = (control.a.sound().unwrap(), control.b.sound().unwrap());
    let left = power(&mut middle.clone().map(|n| f64::from(a.samples[n] - b.samples[n])))
        / power(&mut middle.map(|n| scale * exact[n]));
    assert!(10.0 * left.log10() < -84.0, "{} dB", 10.0 * left.log10());
    // The level control is side A, softer or louder.
    let level = set.pair(PairKind::Control { control: 1, comparison: 0, clip: 0 }).unwrap();
    let (a, b) = (level.a.sound().unwrap(), level.b.sound().unwrap());
    let ratio = b.samples[40_000] / a.samples[40_000];
    assert!((ratio - 10_f32.powf(0.05)).abs() < 1e-5, "{ratio}");
    // In every band the difference is that of the filter (scipy), whatever delay, clock and volume were.
    let survey = survey(&session, &NoProgress).unwrap();
    let [found] = survey.recorded() else { panic!("{:?}", survey.recorded()) };
    let (mean, shape, _) = found.apart().unwrap();
    assert!(found.bands.len() > 30 && mean.abs() < 0.005 && shape.abs() < 0.02, "{mean} {shape} {found:?}");
    let filters = reference("filters.json");
    let gain = numbers(&filters["filters"]["shelf"]["gain_db"]);
    let frequencies = numbers(&filters["frequency_hz"]);
    for band in &found.bands {
        let exact = super::between(&frequencies, &gain, (band.from_hz * band.to_hz).sqrt());
        assert!((band.recorded_db - exact).abs() < 0.05, "{band:?}, not {exact}");
    }
    let [a, b] = found.noise_dbfs.map(Option::unwrap);
    // 1e-6 over a volume of 0.5 and of 0.4; a full-scale sine has 0.707.
    assert!((a - 20.0 * (2e-6 * 2_f64.sqrt()).log10()).abs() < 0.5, "{a}");
    assert!((b - a - 1.94).abs() < 0.7, "{a} {b}");
    let differences = survey.differences(true, &NoProgress).unwrap();
    assert_eq!((differences[0].latency, differences[0].identical), (Some(0), false));
    assert!(set.notes.iter().any(|note| note.contains("level moved by +7.96 dB")), "{:#?}", set.notes);
    assert!(set.notes.iter().all(|note| !note.contains("noisier")), "{:#?}", set.notes);
}

/// A name, a rate in Hz, channels, and words of the refusal.
type Bad<'b> = (&'b str, u32, Vec<&'b [f64]>, [&'b str; 2]);

#[test]
fn recordings_that_cannot_be_played_are_refused_with_what_to_do() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    let refused = |keys: &str, rest: &str, words: &[&str]| {
        let message = parsed(folder.path(), keys, rest)
            .and_then(|session| made(&session))
            .map(drop)
            .expect_err("refused");
        for word in words {
            assert!(message.contains(word), "\"{word}\" is missing in: {message}");
        }
    };
    refused(
        "",
        "",
        &["comparison \"pair\" on clip \"music\"", "long has a recording and short has none", "record both"],
    );
    refused("recording = \"nowhere.wav\"", "", &["no file", "nowhere.wav", "bench capture --play"]);
    refused("recording_again = \"again.wav\"", "", &["belongs to `recording`"]);
    refused("recording = \"short.wav\"\nrecording_again = \"short.wav\"", "", &["second recording"]);
    refused("recording = { song = \"short.wav\" }", "", &["no clip of this name", "music"]);
    refused(
        "recording = \"short.wav\"",
        "[clips.other]\nsynth = \"plucked-strings\"",
        &["music = \"music.wav\", other"],
    );
    refused("recording = 3", "", &["cables.short.recording"]);
    let threshold = "[threshold]\nscale = \"multiple\"\nsmallest = 0.5\nlargest = 4\ntrials = 20";
    refused("recording = \"short.wav\"", threshold, &["cannot be made smaller or larger", "\"level\""]);
    // What is on the file. The other two have to be right, so only the bad one is read again.
    let [source, response] = Capture::of(false, 0.4, 3).channels();
    let cut = source.len() - 30_000;
    let mut dropped = response.clone();
    dropped[40_000..41_500].fill(0.0);
    let silent = vec![0.0; source.len()];
    let soft: Vec<f64> = response.iter().map(|sample| (9.0 * sample).clamp(-0.3, 0.3)).collect();
    let minus: Vec<f64> = response.iter().map(|sample| -sample).collect();
    let cases: [Bad<'_>; 7] = [
        ("rate", 44_100, vec![&source, &response], ["44100 Hz and the clip 48000 Hz", "own rate"]),
        ("mono", 48_000, vec![&response], ["another number of channels", "with the reference or none"]),
        ("silent", 48_000, vec![&source, &silent], ["channel 2 is silent", "lead"]),
        ("clipped", 48_000, vec![&source, &soft], ["channel 2 is clipped", "6 dB"]),
        ("cut", 48_000, vec![&source[..cut], &response[..cut]], ["ends in the middle", "silence"]),
        ("dropout", 48_000, vec![&source, &dropped], ["differ by more than cables do, first 0.4", "dropout"]),
        (
            "reversed",
            48_000,
            vec![&source, &minus],
            ["reversed against long.wav", "recording_polarity = \"corrected\""],
        ),
    ];
    for (name, rate, channels, words) in cases {
        let file = format!("{name}.wav");
        write(&path(&file), rate, &channels);
        // What can be seen on one file is seen on the first that is read.
        if ["mono", "dropout", "reversed"].contains(&name) {
            refused(&format!("recording = \"{file}\""), "", &words);
        } else {
            let text = text("recording = \"short.wav\"", "").replace("\"long.wav\"", &format!("\"{file}\""));
            let session = earwitness::session::parse(&path("session.toml"), &text).unwrap();
            let message = made(&session).map(drop).expect_err("refused");
            assert!(
                message.contains(&file) && words.iter().all(|word| message.contains(word)),
                "{words:?}: {message}"
            );
        }
    }
    let other = noise(source.len(), 0.05, 9);
    write(&path("other.wav"), 48_000, &[&other, &other]);
    refused(
        "recording = \"other.wav\"",
        "",
        &["other.wav, the recording of clip \"music\"", "not found on it"],
    );
    // Said so, it is turned round.
    let corrected =
        parsed(folder.path(), "recording = \"reversed.wav\"\nrecording_polarity = \"corrected\"", "")
            .unwrap();
    let set = made(&corrected).unwrap();
    assert!(set.notes.iter().any(|note| note.contains("polarity turned round")), "{:#?}", set.notes);
}

#[test]
fn a_recording_of_ten_minutes_is_read_and_a_longer_one_refused() {
    const SLOW: u32 = 8_000;
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    let clip: Vec<f64> = (0..2 * SLOW).map(|n| music(f64::from(n) / f64::from(SLOW))).collect();
    write(&path("music.wav"), SLOW, &[&clip]);
    std::fs::write(path("session.toml"), text("recording = \"short.wav\"", "")).unwrap();
    // Silence of 16 bits: a file with nothing behind its header, which takes no room on the disk.
    let named = "long.wav, the recording of clip \"music\"";
    for (frames, words) in [
        (600 * SLOW, [named, "it is silent; check the lead"]),
        (600 * SLOW + 1, [named, "it is 10.1 min long; cut it to 10 min at most around the clip"]),
    ] {
        let bytes = 2 * frames;
        std::fs::write(path("long.wav"), crate::commands::material::wav(SLOW, 1, 16, 1, &[], bytes)).unwrap();
        let file = std::fs::OpenOptions::new().write(true).open(path("long.wav")).unwrap();
        file.set_len(44 + u64::from(bytes)).unwrap();
        crate::commands::refused(folder.path(), &["check", "."], &words);
    }
}

#[test]
fn a_recording_with_a_mark_in_it_is_told() {
    // Somebody who prepares the recordings wants one side to be known: by its hiss, or by a tone under the music.
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    let told = |file: &str, again: bool| {
        let mut text = text(&format!("recording = \"{file}\""), "");
        if !again {
            text = text.replace("recording_again = \"again.wav\"\n", "");
        }
        let session = earwitness::session::parse(&path("session.toml"), &text).unwrap();
        survey(&session, &NoProgress).unwrap().notes().join("\n")
    };
    let notes = |file: &str| told(file, false);
    Capture { hiss: 1e-5, ..Capture::of(false, 0.4, 3) }.write(&path("hiss.wav"));
    let said = notes("hiss.wav");
    assert!(
        said.contains("the recording of B is noisier, by up to") && said.contains("recording_again"),
        "{said}"
    );
    let [source, response] = Capture::of(false, 0.4, 3).channels();
    let marked: Vec<f64> = response
        .iter()
        .enumerate()
        .map(|(n, sample)| {
            // While music is played, and never in the silence in which noise is measured.
            let time = n as f64 / RATE - 0.4;
            let heard = (time / 0.05).min((SECONDS - time) / 0.05).clamp(0.0, 1.0);
            sample + 5e-4 * heard * (std::f64::consts::TAU * 14_500.0 * time).sin()
        })
        .collect();
    // Where nothing is marked nothing is said, whatever delay, clock and volume were, with one recording of A and with two.
    for again in [false, true] {
        let said = told("short.wav", again);
        assert!(!said.contains("no filter makes") && !said.contains("DC"), "{said}");
    }
    // A tone that no band's level shows, and steps of 16 bits.
    let soft: Vec<f64> = (response.iter().zip(&marked))
        .map(|(own, marked)| own + 0.1 * (marked - own))
        .map(|sample| (sample * 32_768.0).round() / 32_768.0)
        .collect();
    write(&path("soft.wav"), RATE as u32, &[&source, &soft]);
    let said = told("soft.wav", true);
    for words in [
        "one of the two recordings holds something that no filter makes",
        "around 13.9 kHz",
        "steps of more than 24 bits and that of B of 16",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    write(&path("marked.wav"), RATE as u32, &[&source, &marked]);
    let said = notes("marked.wav");
    assert!(said.contains("the recordings differ by more than the cables"), "{said}");

    // An owner who wins a bet that way: whoever reads the report is told, also where the same mark was put into the second
    // recording of A, so that it passes for usual, and where there is nothing to hold marks against.
    let caveats = |session: &str| -> (Vec<serde_json::Value>, String) {
        std::fs::write(path("session.toml"), session).unwrap();
        let _ = std::fs::remove_dir_all(path("sittings"));
        let run = ["run", ".", "--listener", "Nora", "--output", "silent", "--simulate", "1", "--plain"];
        crate::commands::succeeded(folder.path(), &run);
        crate::commands::succeeded(folder.path(), &["verify", ".", "--session", "."]);
        let report = crate::commands::json(folder.path(), &["report", ".", "--json"]);
        let told = report["caveats"].as_array().expect("a list").iter();
        let told = told.filter(|caveat| caveat["kind"] == "recordings-told").cloned().collect();
        let mut files = std::fs::read_dir(path("sittings")).unwrap().map(|file| file.unwrap().path());
        let is_journal = |path: &std::path::PathBuf| {
            path.extension().is_some_and(|own| own == "jsonl") && !path.ends_with("register.jsonl")
        };
        let journal = files.find(is_journal).unwrap();
        (told, std::fs::read_to_string(journal).unwrap())
    };
    let [honest, bought] = ["short.wav", "soft.wav"].map(|file| text(&format!("recording = \"{file}\""), ""));
    let (told, journal) = caveats(&honest);
    assert!(told.is_empty(), "{told:?}");
    assert!(journal.contains(r#""recorded":{"marks_against":"repeats","found":[]}"#), "it was looked for");
    let (told, journal) = caveats(&bought);
    let [one] = &told[..] else { panic!("{told:?}") };
    let said = one["text"].as_str().unwrap();
    assert_eq!(one["weight"], "serious");
    assert!(
        said.contains("pair on music: only one of the two recordings holds something that no filter makes"),
        "{said}"
    );
    assert!(
        said.contains("around 13.9 kHz") && said.contains("steps of more than 24 bits and that of B of 16"),
        "{said}"
    );
    assert!(
        journal.contains(r#"{"what":"mark","over_db":"#)
            && journal.contains(r#"{"what":"bit-depth","a":null,"b":16}"#)
    );
    let again = Capture::of(true, 0.377_7, 2).channels();
    let same: Vec<f64> = (again[1].iter().zip(&marked).zip(&response))
        .map(|((again, marked), own)| again + 0.1 * (marked - own))
        .collect();
    write(&path("again.wav"), RATE as u32, &[&again[0], &same]);
    let (told, _) = caveats(&bought);
    let said = told.iter().map(|caveat| caveat["text"].as_str().unwrap()).collect::<String>();
    assert!(said.contains("of the two recordings of cable A only one holds something"), "{said}");
    forgeries(folder.path());
}

/// The owner of a folder whose opening tells of a mark has the file, and chains everything anew.
fn forgeries(folder: &Path) {
    let path = |name: &str| folder.join(name);
    let mut files = std::fs::read_dir(path("sittings")).unwrap().map(|file| file.unwrap().path());
    let journal = files
        .find(|file| !file.ends_with("register.jsonl") && file.extension().is_some_and(|own| own == "jsonl"));
    let journal = journal.expect("one sitting");
    let honest = journal::read(&journal).unwrap();
    let receipt = honest.digests.last().unwrap().hex();
    let said = |arguments: &[&str]| {
        let ran = earwitness(folder, arguments);
        (ran.code, format!("{}{}", ran.out, ran.err))
    };
    // What the report says of the recordings' facts.
    let told = || -> String {
        let report = crate::commands::json(folder, &["report", ".", "--json"]);
        let caveats = report["caveats"].as_array().unwrap().iter();
        caveats
            .filter(|own| own["kind"] == "recordings-told")
            .map(|own| own["text"].as_str().unwrap())
            .collect()
    };
    let forge = |change: &dyn Fn(&mut Option<RecordedFacts>)| {
        let mut records = honest.records.clone();
        let Some(Record::Opening(opening)) = records.first_mut() else { panic!("no opening") };
        let real = opening.stimuli.iter_mut().filter(|own| own.recorded.is_some());
        for own in real {
            change(&mut own.recorded);
        }
        let bytes = crate::trial::tampering::rewritten(&records);
        std::fs::write(&journal, &bytes).unwrap();
        let betrayed = earwitness(folder, &["verify", "."]);
        assert_eq!(betrayed.code, 1);
        assert!(betrayed.out.contains("its digest is not the receipt in the register"), "{}", betrayed.out);
        // Whoever chains a journal anew writes the register anew, too.
        let last = bytes.trim_ascii_end().rsplit(|byte| *byte == b'\n').next().unwrap();
        let (mut register, mut head) = (Vec::new(), Digest::NOTHING);
        for (index, mut entry) in register::read(&path("sittings")).unwrap().entries.into_iter().enumerate() {
            if let Entry::Closed { receipt, .. } = &mut entry {
                *receipt = Digest::of(last);
            }
            let line = chain::encode(index as u64 + 1, head, None, &entry).unwrap();
            head = Digest::of(&line);
            register.extend([line.as_slice(), b"\n"].concat());
        }
        std::fs::write(path("sittings/register.jsonl"), register).unwrap();
        let kept = earwitness(folder, &["verify", ".", "--receipt", &receipt]);
        assert_eq!(kept.code, 1, "a receipt that was kept tells in any case");
        assert!(kept.out.contains("the file was rewritten"), "{}", kept.out);
        (said(&["verify", "."]), said(&["verify", ".", "--session", "."]), told())
    };
    // Taken out, as if an older version had written it: the report says that nobody looked, and who makes the sounds anew
    // finds what was there.
    let (alone, with_session, caveats) = forge(&|facts| *facts = None);
    assert_eq!(alone.0, 0, "{}", alone.1);
    assert!(caveats.contains("nobody looked for marks") && !caveats.contains("no filter makes"), "{caveats}");
    assert_eq!(with_session.0, 1);
    assert!(
        with_session.1.contains("something could tell the recordings of pair apart"),
        "{}",
        with_session.1
    );
    // Written as if nothing was found: that alone no report can know, and who makes the sounds anew does.
    let (alone, with_session, caveats) = forge(&|facts| {
        if let Some(own) = facts {
            own.found.clear();
        }
    });
    assert_eq!((alone.0, caveats.as_str()), (0, ""), "{}", alone.1);
    assert_eq!(with_session.0, 1);
    let otherwise = "the stimuli of pair on music are made otherwise here than published";
    assert_eq!(with_session.1.matches(otherwise).count(), 1, "{}", with_session.1);
    // The recordings exchanged after the sitting, and one replaced by another take of the same cable.
    forge(&|_| ());
    let files = ["long.wav", "soft.wav", "again.wav"].map(|name| std::fs::read(path(name)).unwrap());
    for (what, long, soft) in [("exchanged", 1, 0), ("replaced", 2, 1)] {
        std::fs::write(path("long.wav"), &files[long]).unwrap();
        std::fs::write(path("soft.wav"), &files[soft]).unwrap();
        let (code, text) = said(&["verify", ".", "--session", "."]);
        assert_eq!(code, 1, "{what}: {text}");
        assert_eq!(text.matches("long.wav is not what was sealed").count(), 1, "{what}: {text}");
        assert!(text.contains(otherwise), "{what}: {text}");
        let caveats = crate::commands::json(folder, &["report", ".", "--json"])["caveats"].to_string();
        assert!(
            caveats.contains("inputs-changed") && caveats.contains("not what was heard"),
            "{what}: {caveats}"
        );
        crate::commands::succeeded(folder, &["report", "."]);
        let page = std::fs::read_to_string(path("report/report.html")).unwrap();
        assert!(page.contains("not what was heard"), "{what}");
    }
}
