//! `report --archive` and `verify` of what it wrote: one file that verifies as one, and the ways in which somebody would forge it.

use std::path::Path;

use earwitness::report::archive::{Archive, LeftOut, Member};
use earwitness::trial::Digest;
use tar::{Builder, EntryType, Header};

use super::sealed_inputs::sat;
use super::{earwitness, json, refused, succeeded};

fn parsed(path: &Path) -> Archive {
    Archive::parse(&std::fs::read(path).expect("an archive")).expect("it reads")
}

/// An archive with one file of it changed, its list made anew.
fn forged(archive: &Archive, name: &str, change: impl FnOnce(&mut Vec<u8>)) -> Vec<u8> {
    let mut archive = archive.clone();
    let member = archive.members.iter_mut().find(|member| member.name == name).expect(name);
    let before = member.bytes.clone();
    change(&mut member.bytes);
    assert_ne!(member.bytes, before, "{name} is changed");
    archive.to_bytes().expect("it can be written")
}

/// Replaces the first such piece of text.
fn replace(bytes: &mut Vec<u8>, from: &str, to: &str) {
    *bytes = String::from_utf8(bytes.clone()).expect("text").replacen(from, to, 1).into_bytes();
}

#[test]
fn an_archive_verifies_as_one_and_what_somebody_changed_in_it_is_told() {
    let folder = sat();
    let here = folder.path();
    succeeded(here, &["report", ".", "--archive", "whole.tar", "--with-clips"]);
    succeeded(here, &["report", ".", "--archive", "light.tar"]);
    let whole = std::fs::read(here.join("whole.tar")).expect("an archive");
    succeeded(here, &["report", ".", "--archive", "again.tar", "--with-clips"]);
    assert!(
        whole == std::fs::read(here.join("again.tar")).expect("an archive"),
        "the same files give the same bytes"
    );
    // Any system opens it.
    let listed =
        std::process::Command::new("tar").args(["tf", "whole.tar"]).current_dir(here).output().expect("tar");
    let listed = String::from_utf8(listed.stdout).expect("text");
    for name in [
        "MANIFEST.json",
        "FORMAT.md",
        "session.toml",
        "lcr.csv",
        "song.wav",
        "sittings/register.jsonl",
        "report/report.html",
    ] {
        assert!(listed.lines().any(|line| line == name), "{name}: {listed}");
    }

    // Alone, in a folder of its own.
    let alone = tempfile::tempdir().expect("a folder");
    std::fs::write(alone.path().join("whole.tar"), &whole).expect("written");
    std::fs::copy(here.join("light.tar"), alone.path().join("light.tar")).expect("copied");
    let here = alone.path();
    let ran = succeeded(here, &["verify", "whole.tar"]);
    for words in [
        "each as its list says",
        "the same to the byte",
        "whole.tar/sittings/",
        "checked from the opened seal",
    ] {
        assert!(ran.out.contains(words), "{words}: {}", ran.out);
    }
    assert!(ran.out.contains(&Digest::of(&whole).hex()), "{}", ran.out);
    let files = format!("an archive of {} files", listed.lines().count() - 1);
    assert!(ran.out.contains(&files), "{files}, as any system lists them: {}", ran.out);
    let ran = succeeded(here, &["verify", "light.tar"]);
    assert!(ran.out.contains("left out (sound)") && ran.out.contains("song.wav"), "{}", ran.out);
    assert!(
        ran.out.contains("report: not checked (files that the session reads are left out)"),
        "{}",
        ran.out
    );
    let document = json(here, &["verify", "whole.tar", "--json"]);
    assert_eq!(
        (&document["archives"][0]["report"], &document["journals"][0]["ok"]),
        (&"same".into(), &true.into())
    );
    let named = document["journals"].as_array().expect("journals").iter().map(|one| &one["file"]);
    let verified: Vec<&str> =
        named.map(|file| file.as_str().expect("a name").trim_start_matches("whole.tar/")).collect();
    let journals =
        listed.lines().filter(|name| Path::new(name).extension().is_some_and(|kind| kind == "jsonl"));
    let journals =
        journals.filter(|name| name.starts_with("sittings/") && *name != "sittings/register.jsonl");
    let journals: Vec<&str> = journals.collect();
    assert_eq!(journals, verified, "the journals that any system lists are those that are verified");
    let journal = document["journals"][0]["file"].as_str().expect("a name").to_owned();
    let journal = journal.strip_prefix("whole.tar/").expect("in the archive");
    assert_eq!(std::fs::read_dir(here).expect("a folder").count(), 2, "nothing is left beside it");

    let archive = parsed(&here.join("whole.tar"));
    let (light, mut other_song) = (parsed(&here.join("light.tar")), parsed(&here.join("light.tar")));
    other_song.left_out[0].sha256 = Digest::of(b"another song");
    let mut made_up = archive.clone();
    made_up.left_out.push(LeftOut { name: "other.wav".to_owned(), ..light.left_out[0].clone() });
    let mut without_journal = archive.clone();
    without_journal.members.retain(|member| member.name != journal);
    let cases: Vec<(&str, Vec<u8>)> = vec![
        (
            "is not the report that its own journals give",
            forged(&archive, "report/report.json", |bytes| replace(bytes, "\"correct\": ", "\"correct\": 1")),
        ),
        (
            "is not the report that its own journals give",
            forged(&archive, "report/report.html", |bytes| bytes.push(b' ')),
        ),
        (
            "lcr.csv is not what was sealed",
            forged(&archive, "lcr.csv", |bytes| replace(bytes, "0.021", "0.105")),
        ),
        ("song.wav is not what was sealed", forged(&archive, "song.wav", |bytes| bytes[200] ^= 1)),
        ("song.wav is not what was sealed", other_song.to_bytes().expect("written")),
        (
            "the session file is not the one",
            forged(&light, "session.toml", |bytes| bytes.extend(b"# a remark\n")),
        ),
        ("does not fit", forged(&archive, journal, |bytes| replace(bytes, "\"answer\"", "\"answre\""))),
        (
            "register",
            forged(&archive, "sittings/register.jsonl", |bytes| {
                let cut = bytes[..bytes.len() - 1].iter().rposition(|&byte| byte == b'\n').expect("a line");
                bytes.truncate(cut + 1);
                bytes.truncate(bytes.iter().position(|&byte| byte == b'\n').expect("a line"));
            }),
        ),
        ("the session in it does not read that file", made_up.to_bytes().expect("written")),
        ("FORMAT.md in it is not the page", forged(&archive, "FORMAT.md", |bytes| bytes.push(b' '))),
        ("its journal is gone", without_journal.to_bytes().expect("written")),
    ];
    for (words, bytes) in cases {
        std::fs::write(here.join("forged.tar"), bytes).expect("written");
        let ran = earwitness(here, &["verify", "forged.tar"]);
        assert!(ran.code != 0, "{words}: {}", ran.out);
        let said = format!("{}{}", ran.out, ran.err);
        assert!(
            said.contains(words) || (words == "does not fit" && said.contains("fit")),
            "{words}:\n{said}"
        );
    }
    refused(
        folder.path(),
        &["report", ".", "--archive", "a.tar", "--anonymous"],
        &["--anonymous", "cannot be used"],
    );
}

#[test]
fn a_report_that_cannot_be_drawn_anew_is_not_believed() {
    let folder = sat();
    let here = folder.path();
    succeeded(here, &["report", ".", "--archive", "whole.tar", "--with-clips"]);
    let mut other = parsed(&here.join("whole.tar"));
    // The words are changed, and the list names a program of another version, which nobody here can run.
    other.program = "earwitness 9.9".to_owned();
    let changed = forged(&other, "report/report.html", |bytes| bytes.extend(b"Ada heard every difference."));
    let mut unread = parsed(&here.join("whole.tar"));
    unread.members.iter_mut().find(|member| member.name == "session.toml").expect("it").bytes.push(b'=');
    for (why, bytes) in [
        ("it was drawn by earwitness 9.9, and this is", changed),
        ("the session in it cannot be read", unread.to_bytes().expect("written")),
    ] {
        std::fs::write(here.join("other.tar"), bytes).expect("written");
        let ran = earwitness(here, &["verify", "other.tar"]);
        assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
        assert!(ran.out.contains(&format!("report: not checked ({why}")), "{}", ran.out);
        assert!(ran.out.contains("do not rely on its words"), "{}", ran.out);
        let document = earwitness(here, &["verify", "other.tar", "--json"]);
        assert_eq!(document.code, 1);
        assert!(document.out.contains("\"report\": \"not-drawn-anew\""), "{}", document.out);
        assert!(document.out.contains(&format!("\"report_not_checked\": \"{why}")), "{}", document.out);
    }
    std::fs::write(here.join("other.tar"), other.to_bytes().expect("written")).expect("written");
    let ran = earwitness(here, &["verify", "other.tar"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(ran.out.contains("checked from the opened seal"), "its journals are checked: {}", ran.out);
    assert_eq!(ran.err.trim(), "other.tar: the report in it was not checked, only its journals: see above");
}

/// What a forger gains where the sound is left out: a page that no program contradicts, and nobody's word for it. `verify` says in
/// both of its outputs that the report was not checked, repeats none of it, and counts the journals without it. With the sound in
/// the archive, the same page is refused.
#[test]
fn words_forged_in_a_report_whose_sound_is_left_out_are_never_said_to_be_checked() {
    const CLAIM: &str = "Ada heard every difference.";
    let folder = sat();
    let here = folder.path();
    succeeded(here, &["report", ".", "--archive", "whole.tar", "--with-clips"]);
    succeeded(here, &["report", ".", "--archive", "light.tar"]);
    let claimed =
        |archive: &Archive| forged(archive, "report/report.html", |bytes| bytes.extend(CLAIM.bytes()));
    let (whole, light) = (parsed(&here.join("whole.tar")), parsed(&here.join("light.tar")));
    // Either the owner left the sound out, or the forger took it out of the archive that would refuse the page.
    let mut taken_out = whole.clone();
    taken_out.members.retain(|member| member.name != "song.wav");
    taken_out.left_out.clone_from(&light.left_out);
    assert_eq!((light.left_out.len(), light.left_out[0].name.as_str()), (1, "song.wav"));
    for archive in [&light, &taken_out] {
        std::fs::write(here.join("forged.tar"), claimed(archive)).expect("written");
        let ran = succeeded(here, &["verify", "forged.tar"]);
        assert!(
            ran.out.contains(
                "report: not checked (files that the session reads are left out), so do not rely on its words"
            ),
            "{}",
            ran.out
        );
        assert!(ran.out.contains("left out (sound)") && ran.out.contains("song.wav"), "{}", ran.out);
        assert!(ran.out.contains("checked from the opened seal"), "its journals are checked: {}", ran.out);
        assert!(!ran.out.contains("the same to the byte"), "{}", ran.out);
        assert!(!format!("{}{}", ran.out, ran.err).contains(CLAIM), "{}{}", ran.out, ran.err);
        let document = json(here, &["verify", "forged.tar", "--json"]);
        let told = &document["archives"][0];
        assert_eq!(told["report"], "not-drawn-anew");
        assert_eq!(told["report_not_checked"], "files that the session reads are left out");
        assert_eq!((&told["left_out"][0]["name"], &told["problem"]), (&"song.wav".into(), &().into()));
        assert_eq!(document["journals"][0]["ok"], true);
        assert!(!document.to_string().contains(CLAIM), "{document}");
    }
    std::fs::write(here.join("forged.tar"), claimed(&whole)).expect("written");
    let refusal = "report/report.html in it is not the report that its own journals give";
    let ran = earwitness(here, &["verify", "forged.tar"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(ran.out.contains(refusal) && ran.err.contains(refusal), "{}{}", ran.out, ran.err);
    let ran = earwitness(here, &["verify", "forged.tar", "--json"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    let document: serde_json::Value = serde_json::from_str(&ran.out).expect("JSON");
    let told = &document["archives"][0];
    assert_eq!((&told["report"], &told["report_not_checked"]), (&"differs".into(), &().into()));
    assert!(told["problem"].as_str().expect("a problem").starts_with(refusal), "{told}");
}

/// An archive of a small session, its list true.
fn small() -> Archive {
    Archive {
        program: "a program".into(),
        session: "session.toml".into(),
        members: vec![
            Member { name: "session.toml".into(), bytes: b"title = 1\n".to_vec() },
            Member { name: "sittings/a.jsonl".into(), bytes: b"{}\n".to_vec() },
        ],
        left_out: Vec::new(),
    }
}

/// What may stand in a tar: its kind, its name as raw bytes, where it leads, and its content.
fn with_entry(kind: EntryType, name: &[u8], link: &str, content: &[u8]) -> Vec<u8> {
    let whole = small().to_bytes().expect("written");
    // The end of a tar is two empty blocks.
    let mut builder = Builder::new(whole[..whole.len() - 1024].to_vec());
    let mut header = Header::new_ustar();
    header.as_old_mut().name[..name.len()].copy_from_slice(name);
    if !link.is_empty() {
        header.set_link_name_literal(link).expect("a link");
    }
    header.set_entry_type(kind);
    header.set_size(content.len() as u64);
    header.set_mode(0o644);
    header.set_cksum();
    builder.append(&header, content).expect("appended");
    builder.into_inner().expect("written")
}

#[test]
fn hostile_archives_are_refused_and_write_nothing() {
    let sound = small().to_bytes().expect("written");
    assert_eq!(Archive::parse(&sound).expect("it reads"), small());
    let mut trailing = sound.clone();
    trailing.extend([0; 512]);
    let mut hidden = sound.clone();
    let end = hidden.len() - 1;
    hidden[end] = 1;
    let mut late = sound.clone();
    late[136..147].copy_from_slice(b"14000000000"); // the time of change
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("is no file", with_entry(EntryType::Symlink, b"sittings/link", "/etc/passwd", b"")),
        ("is no file", with_entry(EntryType::Link, b"hard", "session.toml", b"")),
        ("is no file", with_entry(EntryType::Directory, b"folder/", "", b"")),
        ("is no file", with_entry(EntryType::Char, b"device", "", b"")),
        ("is no file", with_entry(EntryType::Fifo, b"pipe", "", b"")),
        ("is no file", with_entry(EntryType::GNULongName, b"././@LongLink", "", b"../../outside")),
        ("is no file", with_entry(EntryType::XHeader, b"pax", "", b"22 path=../../outside\n")),
        ("is no file", with_entry(EntryType::GNUSparse, b"sparse", "", b"x")),
        ("does not lead to a file", with_entry(EntryType::Regular, b"../outside", "", b"x")),
        ("does not lead to a file", with_entry(EntryType::Regular, b"/outside", "", b"x")),
        ("does not lead to a file", with_entry(EntryType::Regular, b"a//b", "", b"x")),
        ("does not lead to a file", with_entry(EntryType::Regular, b"a\\..\\b", "", b"x")),
        ("does not lead to a file", with_entry(EntryType::Regular, b"c:x", "", b"x")),
        ("does not lead to a file", with_entry(EntryType::Regular, b"\x1b[2J", "", b"x")),
        ("does not lead to a file", with_entry(EntryType::Regular, b"session.toml.", "", b"x")),
        ("two files in it", with_entry(EntryType::Regular, b"session.toml", "", b"x")),
        ("two files in it", with_entry(EntryType::Regular, b"Sittings/A.jsonl", "", b"x")),
        ("two files in it", with_entry(EntryType::Regular, b"manifest.json", "", b"x")),
        ("a file and a folder", with_entry(EntryType::Regular, b"session.toml/x", "", b"x")),
        ("its list has", with_entry(EntryType::Regular, b"more", "", b"x")),
        ("hidden", trailing),
        ("hidden", hidden),
        ("", late),
        ("", sound[..sound.len() - 1500].to_vec()),
        ("", sound[..700].to_vec()),
    ];
    let folder = tempfile::tempdir().expect("a folder");
    for (words, bytes) in &cases {
        let error = Archive::parse(bytes).expect_err(words).to_string();
        assert!(error.contains(words), "{words}: {error}");
    }
    for (words, bytes) in [&cases[0], &cases[8], &cases[20]] {
        std::fs::write(folder.path().join("hostile.tar"), bytes).expect("written");
        refused(folder.path(), &["verify", "hostile.tar"], &["hostile.tar", words]);
    }
    assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 1);
    // No single byte can be changed, and no name that cannot be read comes to be written.
    for at in 0..sound.len() {
        let mut changed = sound.clone();
        changed[at] ^= 1 << (at % 8);
        // But what it says of its program, which is only said.
        let read = Archive::parse(&changed);
        assert!(read.is_err() || read.is_ok_and(|read| read.program != small().program), "byte {at}");
    }
    for name in ["../x", "", "a/../b", "x:y", &"n".repeat(101)] {
        let mut archive = small();
        archive.members[1].name = name.into();
        assert!(archive.to_bytes().is_err(), "{name}");
    }
}
