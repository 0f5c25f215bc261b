//! What is held against a journal from outside, and what the strict reader refuses: each way that somebody got past it.

use std::path::Path;

use earwitness::session::{Family, ForWhom};
use earwitness::stats::Protocol;
use earwitness::trial::record::{FORMAT, InputTerms, StimulusTerms, SwitcherTerms};
use earwitness::trial::register::REGISTER;
use earwitness::trial::verify::{self, Checked};
use earwitness::trial::{Digest, Draft, Opening, Record, Sittings, Terms, against, chain, journal};

use super::kit::{self, Journal as _, Memory, Resume as _, UTC};
use crate::commands::{earwitness, refused, succeeded};

type ChangeTerms = fn(&mut Terms);

fn records() -> Vec<Record> {
    kit::in_memory(&kit::full(Protocol::Abx), 91).finish().journal.records
}

fn anew(records: &[Record]) -> (tempfile::TempDir, std::path::PathBuf) {
    let mut memory = Memory::default();
    for record in records {
        memory.append(record);
    }
    kit::written(&memory.bytes)
}

fn with_opening(change: impl FnOnce(&mut Opening)) -> Checked {
    let mut records = records();
    let Some(Record::Opening(opening)) = records.first_mut() else { panic!("no opening") };
    change(opening);
    let (_folder, path) = anew(&records);
    kit::check(&path)
}

#[test]
fn a_receipt_belongs_to_one_journal_and_says_how_far_it_vouches() {
    let (folder, honest) = anew(&records());
    let receipts = kit::check(&honest).digests;
    let forged = folder.path().join("forged.jsonl");
    let other = kit::in_memory(&kit::full(Protocol::Abx), 92).finish().journal.bytes;
    std::fs::write(&forged, other).unwrap();
    let (honest, forged) = (honest.to_str().unwrap(), forged.to_str().unwrap());
    let verify = |arguments: &[&str]| earwitness(folder.path(), &[&["verify"][..], arguments].concat());
    let whole = receipts.last().unwrap().groups();
    assert_eq!(whole.matches(" / ").count(), 3, "four groups of three words: {whole}");
    let ran = verify(&[honest, "--receipt", &whole]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("receipt: it matches; the whole journal"), "{}", ran.out);
    assert!(ran.out.contains("receipt (public): "), "{}", ran.out);
    // Beside the honest one the forged one is not vouched for.
    let ran = verify(&[forged, honest, "--receipt", &whole]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(ran.out.contains("it matches no record of this journal"), "{}", ran.out);
    // A receipt from the middle of the test is not one of what came after it.
    let middle = receipts[9].in_words();
    let ran = verify(&[honest, "--receipt", &middle]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(ran.out.contains("it matches records 1 to 10; it says nothing about the"), "{}", ran.out);
    let ran = verify(&[honest, "--json", "--receipt", &middle]);
    let document: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(document["journals"][0]["receipt_held"], serde_json::json!({"up_to_record": 10}));
    // Without any, the reader is told what that means.
    let ran = verify(&[honest]);
    assert_eq!(ran.code, 0);
    for words in ["receipt: none was given", "register: there is none"] {
        assert!(ran.out.contains(words), "{}", ran.out);
    }
}

#[test]
fn terms_are_derived_from_the_session_again_and_not_believed() {
    let folder = kit::folder();
    std::fs::write(folder.path().join("session.toml"), crate::report::material::SESSION).unwrap();
    let session = earwitness::session::load(folder.path()).unwrap();
    let terms = Terms::of(&session);
    let stimuli: Vec<StimulusTerms> = kit::stimuli(&terms);
    let draft = Draft {
        session: Digest::of(session.source.as_bytes()),
        stimuli,
        terms,
        inputs: InputTerms::of(&session).unwrap(),
        ..kit::draft(kit::terms(Protocol::Abx))
    };
    let check = |change: &dyn Fn(&mut Terms)| {
        let mut draft = draft.clone();
        change(&mut draft.terms);
        let (_folder, path) = kit::written(&kit::in_memory(&draft, 93).finish().journal.bytes);
        let mut checked = kit::check(&path);
        assert!(checked.is_sound(), "in itself it fits: {:?}", checked.problems);
        against::session(&mut checked, &session, None);
        checked.problems
    };
    assert_eq!(check(&|_| {}), []);
    let changes: [(&str, ChangeTerms); 5] = [
        ("alpha", |terms| terms.alpha = 0.4),
        ("trials", |terms| terms.trials = 4),
        ("family", |terms| terms.family = Family::None),
        ("rest_after_minutes", |terms| terms.rest_after_minutes = 500.0),
        ("title", |terms| terms.title.push('!')),
    ];
    for (name, change) in changes {
        let problems = check(&change);
        assert!(problems[0].message.contains(name), "{name}: {problems:?}");
    }
}

/// Openings said nothing of waiting times and of rounds at first; what they say is compared.
#[test]
fn an_older_opening_is_not_accused_of_how_a_switch_is_used_now() {
    let folder = kit::folder();
    let switcher = "[switcher]\nkind = \"command\"\ncommand = [\"./switch\", \"{terminal}\"]\nterminals = [\"thin\", \"thick\"]\n";
    let text = format!("{}\n{switcher}", crate::report::material::SESSION);
    std::fs::write(folder.path().join("session.toml"), text).unwrap();
    let given = Terms::of(&earwitness::session::load(folder.path()).unwrap());
    let accused = |change: &dyn Fn(&mut SwitcherTerms)| {
        let mut published = given.clone();
        change(published.switcher.as_mut().unwrap());
        against::other_terms(&given, &published, false, FORMAT)
    };
    assert_eq!(accused(&|_| {}), None);
    assert_eq!(accused(&|switcher| switcher.filled = None), None);
    assert_eq!(accused(&|switcher| (switcher.spread_ms, switcher.filled) = (None, None)), None);
    let changes: [fn(&mut SwitcherTerms); 4] = [
        |switcher| switcher.spread_ms = Some(7),
        |switcher| switcher.filled = Some(false),
        |switcher| switcher.settle_ms += 1,
        |switcher| switcher.terminals.swap(0, 1),
    ];
    for change in changes {
        let said = accused(&change).expect("accused");
        assert!(said.ends_with("gives: switcher"), "{said}");
    }
}

/// The panel is what the verdict waits for and whom it leaves out: nobody declares another one afterwards.
#[test]
fn a_panel_that_was_changed_afterwards_is_found_in_the_session_and_in_the_journal() {
    let folder = kit::folder();
    let load = |panel: &str| {
        let text = format!("{}\n{panel}", crate::report::material::SESSION);
        std::fs::write(folder.path().join("session.toml"), text).unwrap();
        earwitness::session::load(folder.path()).unwrap()
    };
    let declared = "[panel]\nlisteners = 6\nno_difference_above = 0.2\n";
    let session = load(declared);
    let terms = Terms::of(&session);
    let honest = Draft {
        session: Digest::of(session.source.as_bytes()),
        stimuli: kit::stimuli(&terms),
        terms,
        inputs: InputTerms::of(&session).unwrap(),
        ..kit::draft(kit::terms(Protocol::Abx))
    };
    let problems = |draft: &Draft, session: &earwitness::session::Session| {
        let (_folder, path) = kit::written(&kit::in_memory(draft, 94).finish().journal.bytes);
        let mut checked = kit::check(&path);
        assert!(checked.is_sound(), "in itself it fits: {:?}", checked.problems);
        against::session(&mut checked, session, None);
        checked.problems
    };
    assert_eq!(problems(&honest, &session), []);

    // The owner writes another panel into the session file after the sittings.
    let afterwards = [
        "[panel]\nlisteners = 4\nno_difference_above = 0.2\n",
        "[panel]\nlisteners = 6\nno_difference_above = 0.5\n",
        "",
    ];
    for panel in afterwards {
        let found = problems(&honest, &load(panel));
        assert!(found[0].message.contains("session file is not the one"), "{panel}: {found:?}");
    }

    // A forger writes a journal that names the session file and seals other terms than it gives.
    let session = load(declared);
    let changes: [ChangeTerms; 4] = [
        |terms| terms.panel = None,
        |terms| terms.panel.as_mut().unwrap().listeners = 4,
        |terms| terms.panel.as_mut().unwrap().no_difference_above = Some(0.5),
        |terms| terms.panel.as_mut().unwrap().for_whom = ForWhom::ListenersLikeThem,
    ];
    for change in changes {
        let mut draft = honest.clone();
        change(&mut draft.terms);
        let found = problems(&draft, &session);
        assert!(
            found[0].message.contains("its terms are not those that the session gives: panel"),
            "{found:?}"
        );
    }
}

#[test]
fn a_journal_of_the_first_format_is_held_against_the_terms_that_it_knows() {
    let folder = kit::folder();
    std::fs::write(folder.path().join("session.toml"), crate::report::material::SESSION).unwrap();
    let session = earwitness::session::load(folder.path()).unwrap();
    let terms = Terms::of(&session);
    let mut draft = Draft { stimuli: kit::stimuli(&terms), terms, ..kit::draft(kit::terms(Protocol::Abx)) };
    draft.session = Digest::of(session.source.as_bytes());
    let problems = |change: &dyn Fn(&mut Terms)| {
        let mut opening = kit::opening(&draft, &kit::secret(0));
        (opening.format, opening.sitting, opening.inputs, opening.earlier) = (1, None, None, None);
        opening.stimuli.iter_mut().for_each(|stimulus| (stimulus.rate_hz, stimulus.level) = (None, None));
        let terms = &mut opening.terms;
        (terms.sides, terms.heard_at_least_ms, terms.threshold) = (None, None, None);
        terms.controls.iter_mut().for_each(|control| control.more = None);
        assert!(terms.wager.is_none(), "format 1 has fewer terms of a wager");
        change(terms);
        let line =
            chain::encode(1, Digest::NOTHING, None, &Record::Opening(Box::new(opening))).expect("it encodes");
        let (_folder, path) = kit::written(&[line.as_slice(), b"\n"].concat());
        let mut checked = verify::alone(&path);
        assert_eq!(checked.problems, []);
        against::session(&mut checked, &session, None);
        checked.problems
    };
    assert_eq!(problems(&|_| {}), []);
    assert!(problems(&|terms| terms.alpha = 0.4)[0].message.contains("alpha"));
    assert!(problems(&|terms| terms.trials += 1)[0].message.contains("trials"));
}

#[test]
fn a_register_that_lost_lines_is_told_by_the_number_in_the_seal() {
    let folder = kit::folder();
    let mut paths = Vec::new();
    for seed in 0..2 {
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let opened = sittings.open(kit::full(Protocol::Abx), kit::secret(seed), None).unwrap();
        paths.push(opened.writer.path());
        kit::in_folder(opened).finish();
    }
    let second = kit::check(&paths[1]);
    assert!(second.is_sound() && second.opening.unwrap().sitting == Some(2));
    // The register anew without the first sitting, and the second journal anew to fit it: only its number is left.
    let kept = earwitness::trial::register::read(folder.path()).unwrap().entries;
    let line = chain::encode(1, Digest::NOTHING, None, &kept[2]).unwrap();
    std::fs::write(folder.path().join("register.jsonl"), [line.as_slice(), b"\n"].concat()).unwrap();
    let mut records = journal::read(&paths[1]).unwrap().records;
    let Some(Record::Opening(opening)) = records.first_mut() else { panic!("no opening") };
    opening.register = Digest::of(&line);
    let mut memory = Memory::default();
    for record in &records {
        memory.append(record);
    }
    std::fs::write(&paths[1], memory.bytes).unwrap();
    let checked = kit::check(&paths[1]);
    assert!(
        checked.problems.iter().any(|problem| problem.message.contains("lines of the register are gone"))
    );
}

#[test]
fn a_register_that_lost_lines_is_told_by_the_head_in_the_closing() {
    let folder = kit::folder();
    let mut paths = Vec::new();
    for seed in 0..3 {
        let sittings = Sittings::lock(folder.path(), UTC).unwrap();
        let opened = sittings.open(kit::full(Protocol::Abx), kit::secret(seed), None).unwrap();
        paths.push(opened.writer.path());
        // The first is left, and goes on after the others were closed.
        if seed > 0 {
            kit::in_folder(opened).finish();
        }
    }
    let name = paths[0].file_name().unwrap().to_str().unwrap().to_owned();
    let sittings = Sittings::lock(folder.path(), UTC).unwrap();
    kit::in_folder(sittings.resume(&name, UTC, kit::silent(), kit::secret(9), None).unwrap()).finish();
    let number = |path: &std::path::Path| {
        let checked = kit::check(path);
        assert!(checked.is_sound(), "{:?}", checked.problems);
        (checked.opening.unwrap().sitting.unwrap(), checked.closing.unwrap().sittings.unwrap())
    };
    assert_eq!(paths.iter().map(|path| number(path)).collect::<Vec<_>>(), [(1, 3), (2, 2), (3, 3)]);
    // The register anew without the two other sittings, whose journals are hidden: the first one's opening still fits.
    let register = earwitness::trial::register::read(folder.path()).unwrap();
    let kept = [&register.entries[0], register.entries.last().unwrap()];
    let (mut bytes, mut chain) = (Vec::new(), Digest::NOTHING);
    for (index, entry) in kept.into_iter().enumerate() {
        let line = chain::encode(index as u64 + 1, chain, None, entry).unwrap();
        chain = Digest::of(&line);
        bytes.extend([line.as_slice(), b"\n"].concat());
    }
    std::fs::write(folder.path().join("register.jsonl"), bytes).unwrap();
    let checked = kit::check(&paths[0]);
    assert!(
        checked.problems.iter().any(|problem| problem.message.contains("had other lines")),
        "{checked:?}"
    );
}

#[test]
fn a_line_has_one_spelling_whatever_its_hashes_say() {
    let bytes = kit::in_memory(&kit::full(Protocol::Abx), 94).finish().journal.bytes;
    let line = bytes.split(|&byte| byte == b'\n').nth(1).unwrap();
    let first = Digest::of(bytes.split(|&byte| byte == b'\n').next().unwrap());
    let text = String::from_utf8(line.to_vec()).unwrap();
    let covered = text.rsplit_once(",\"check\"").unwrap().0;
    let respelled = |covered: String| {
        let check = Digest::of(covered.as_bytes()).hex()[..16].to_owned();
        format!("{covered},\"check\":\"{check}\"}}")
    };
    assert_eq!(respelled(covered.to_owned()), text);
    chain::decode::<Record>(text.as_bytes(), 2, first).expect("the line as it was written");
    for (what, covered) in [
        ("a space", covered.replace("\"at_ms\":", "\"at_ms\": ")),
        ("an escape", covered.replace("Ida", "\\u0049da")),
        (
            "another order",
            covered.replace("\"kind\":\"accepted\",", "").replace('}', ",\"kind\":\"accepted\"}"),
        ),
        ("a leading zero", covered.replace("\"utc_ms\":1", "\"utc_ms\":01")),
        ("a zero before its number", covered.replace("{\"number\":2,", "{\"number\":02,")),
        ("a plus", covered.replace("\"utc_ms\":1", "\"utc_ms\":+1")),
        ("an exponent", covered.replace("\"at_ms\":250", "\"at_ms\":2.5e2")),
        ("capital hex", covered.replacen(&first.hex(), &first.hex().to_uppercase(), 1)),
        ("a null", covered.replace("\"at_ms\":", "\"proof\":null,\"at_ms\":")),
        ("an array", covered.replace("{\"kind\"", "[\"kind\"")),
    ] {
        assert_ne!(covered, text.rsplit_once(",\"check\"").unwrap().0, "{what}");
        let line = respelled(covered);
        assert!(chain::decode::<Record>(line.as_bytes(), 2, first).is_err(), "{what}: {line}");
    }
}

#[test]
fn twenty_openings_that_nobody_could_have_sealed_are_refused() {
    type Change = fn(&mut Opening);
    let changes: [(&str, Change); 20] = [
        ("no number of its folder", |opening| opening.sitting = None),
        ("the older format with newer fields", |opening| opening.format = 1),
        ("format 0", |opening| opening.format = 0),
        ("a newer format", |opening| opening.format = 3),
        ("sides of an identical control that differ", |opening| {
            opening.stimuli.last_mut().unwrap().b = Digest::of(b"louder");
        }),
        ("a comparison of a thing with itself", |opening| opening.stimuli[0].b = opening.stimuli[0].a),
        ("a control that nobody could hear", |opening| {
            let control = opening.stimuli.iter_mut().find(|stimulus| stimulus.control == Some(0)).unwrap();
            control.b = control.a;
        }),
        ("no stimuli", |opening| opening.stimuli.clear()),
        ("a stimulus of no comparison", |opening| opening.stimuli[0].comparison = 9),
        ("a stimulus of no clip", |opening| opening.stimuli[0].clip = 9),
        ("a stimulus of no control", |opening| opening.stimuli[4].control = Some(9)),
        ("another commitment", |opening| opening.commitment = Digest::of(b"another")),
        ("a lock that nothing proves", |opening| {
            opening.lock = Some(earwitness::trial::lock::LockTerms {
                memory_kib: 65536,
                passes: 3,
                lanes: 4,
                verifier: Digest::of(b"invented"),
            });
        }),
        ("more trials than were answered", |opening| opening.terms.trials += 1),
        ("fewer trials than were answered", |opening| opening.terms.trials -= 1),
        ("another warm-up", |opening| opening.terms.warm_up += 1),
        ("another protocol", |opening| opening.terms.protocol = Protocol::Triangle),
        ("a certain alpha", |opening| opening.terms.alpha = 1.0),
        ("a simulated listener", |opening| opening.simulated = Some(0.5)),
        ("a night", |opening| opening.occasion = earwitness::trial::Occasion::Night),
    ];
    assert!(with_opening(|_| {}).is_sound());
    for (what, change) in changes {
        let checked = with_opening(change);
        assert!(!checked.is_sound(), "{what} passes");
    }
}

#[test]
fn a_clock_that_was_set_is_said_and_nothing_panics() {
    let records = records();
    let dated = |clock: &dyn Fn(usize, i64) -> i64| {
        let (mut bytes, mut chain) = (Vec::new(), Digest::NOTHING);
        for (index, record) in records.iter().enumerate() {
            let utc_ms = clock(index, kit::utc_ms(record));
            let line = chain::encode(index as u64 + 1, chain, Some(utc_ms), record).unwrap();
            chain = Digest::of(&line);
            bytes.extend_from_slice(&line);
            bytes.push(b'\n');
        }
        let (_folder, path) = kit::written(&bytes);
        let checked = kit::check(&path);
        assert!(checked.is_sound(), "{:?}", checked.problems);
        checked.clock
    };
    assert_eq!(dated(&|_, utc_ms| utc_ms), Vec::<String>::new());
    let year = 31_557_600_000;
    let back = dated(&|index, utc_ms| if index < 8 { utc_ms } else { utc_ms - year });
    assert!(back[0].contains("before record 9 it was set back by 365 days"), "{back:?}");
    let slept = dated(&|index, utc_ms| if index < 8 { utc_ms } else { utc_ms + 10_800_000 });
    assert!(slept[0].contains("it went 3 h further"), "{slept:?}");
    let old = dated(&|_, utc_ms| utc_ms - 66 * year);
    assert!(old[0].contains("1960") && old[0].contains("no computer of today"), "{old:?}");
    for never in [253_402_300_799_999, i64::MAX, i64::MIN] {
        assert!(!dated(&|_, _| never).is_empty());
    }
}

/// The register without its last lines.
fn cut(folder: &Path, lines: usize) {
    let path = folder.join(REGISTER);
    let text = std::fs::read_to_string(&path).expect("a register");
    let kept: Vec<&str> = text.split_inclusive('\n').collect();
    std::fs::write(&path, kept[..kept.len() - lines].concat()).expect("written");
}

#[test]
fn a_missing_journal_is_said_with_what_that_means() {
    // One that was only announced: the power may have gone, and then nothing is lost. One that was closed held answers.
    let means =
        ["nothing is lost, and nothing is to be done", "announced and closed, but its journal is gone"];
    for closed in [false, true] {
        let folder = kit::folder();
        let sittings = Sittings::lock(folder.path(), kit::UTC).expect("free");
        let draft = kit::draft(kit::terms(Protocol::Abx));
        let opened = sittings.open(draft, kit::secret(83), None).expect("it opens");
        let journal = opened.writer.path();
        if closed {
            kit::in_folder(opened).finish();
        } else {
            drop(opened);
        }
        std::fs::remove_file(&journal).expect("removed");
        let ran = earwitness(folder.path(), &["verify", "."]);
        assert_ne!(ran.code, 0, "{}{}", ran.out, ran.err);
        for (means, of_closed) in means.iter().zip([false, true]) {
            assert_eq!(ran.out.contains(means), closed == of_closed, "{}{}", ran.out, ran.err);
        }
    }
}

#[test]
fn a_register_whose_end_was_cut_tells_what_it_can_and_what_was_kept_tells_the_rest() {
    let folder = kit::folder();
    let mut journals = Vec::new();
    for (seed, utc) in [(80, kit::UTC), (81, "2026-05-02T10:00:00Z")] {
        let draft = Draft { utc: utc.into(), ..kit::draft(kit::terms(Protocol::Abx)) };
        let opened = Sittings::lock(folder.path(), utc)
            .expect("free")
            .open(draft, kit::secret(seed), None)
            .expect("it opens");
        journals.push(opened.writer.path());
        kit::in_folder(opened).finish();
    }
    let last = || kit::check(&journals[1]);
    assert_eq!((last().problems, last().late), (Vec::new(), None));
    let kept = last().receipt.expect("a receipt").in_words();
    // What a photograph of the seal shows: words or digits of the commitment, words of the register's line.
    let opening = last().opening.expect("an opening");
    let digits: Vec<String> = opening
        .commitment
        .hex()
        .as_bytes()
        .chunks(4)
        .map(|group| String::from_utf8_lossy(group).into_owned())
        .collect();
    let photographed = [opening.commitment.groups(), digits.join(" "), opening.register.groups()];
    for words in &photographed {
        let ran = succeeded(folder.path(), &["verify", ".", "--seal", words]);
        assert_eq!(ran.out.matches("seal: it is the one that was photographed").count(), 1, "{}", ran.out);
        assert_eq!(
            ran.out.matches("seal: no photograph that was given shows this sitting's").count(),
            1,
            "{}",
            ran.out
        );
    }
    // Its closing line goes: somebody may write the journal anew now, and the next sitting enters that.
    cut(folder.path(), 1);
    let said = last().late.expect("it is said");
    assert!(said.contains("is not in the register") && said.contains("kept"), "{said}");
    drop(Sittings::lock(folder.path(), "2026-05-03T10:00:00Z").expect("free"));
    let said = last().late.expect("it is said");
    assert!(said.contains("after it, by a later sitting"), "{said}");
    // The whole sitting goes: nothing in the folder tells, but the number that comes next does, to whoever kept the last one.
    cut(folder.path(), 2);
    std::fs::remove_file(&journals[1]).expect("removed");
    let here = folder.path();
    let ran = succeeded(here, &["verify", "."]);
    assert!(ran.out.contains("1 sitting announced, 1 of them closed"), "{}", ran.out);
    assert!(
        ran.out.contains("of sitting 2, or of a later one, would show that lines were taken away"),
        "{}",
        ran.out
    );
    let ran = earwitness(here, &["verify", ".", "--receipt", &kept]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    for (words, json) in photographed.iter().zip([false, true, false]) {
        let mut asked = vec!["verify", ".", "--seal", words];
        asked.extend(json.then_some("--json"));
        let ran = earwitness(here, &asked);
        assert_eq!(ran.code, 1, "{}", ran.out);
        assert!(ran.err.contains("was taken away, or written anew"), "{}", ran.err);
        assert!(!json || ran.out.contains("\"seal_held\": false"), "{}", ran.out);
    }
    refused(here, &["verify", ".", "--seal", "zzzz"], &["--seal", "neither one of the words"]);
}
