//! Photographs of a set-up, by the real program: what a camera wrote beside the picture reaches no report and no archive.

use std::path::Path;

use base64ct::{Base64, Encoding as _};
use earwitness::trial::Digest;
use earwitness::trial::terms::{InputTerms, changed_inputs};

use crate::commands::{earwitness, json, material, refused, succeeded};

/// A grey JPEG of 16 x 8 pixels, and a PNG of the same: a test pattern of ffmpeg 5.1.
const JPEG: &str = "ffd8ffe000104a46494600010200000100010000fffe00104c61766335392e33372e31303000ffdb0043000828282f282f373737373737413c414343 \
     434141414143434348484855555548484843434848505055555c5f5c575755575f5f646464787873738c8c91acaccfffc4006c000101010000000000 \
     0000000000000000060105010101010100000000000000000000000006040107100000050206030100000000000000000000031102012131124172b1 \
     c161513213c411000300010207010000000000000000000001020331215143421162043233ffc00011080008001003011200021200031200ffda000c \
     03010002110311003f0012598635f38276f1d885fb99a27805aa65a4d9b5f027f653acb3e3a16e5fd8cb2feac752928b92225d6c810c7e781d0eb3f7 \
     95bec06e5041c37171c75422ea67ffd9";
const PNG: &str = "89504e470d0a1a0a0000000d4948445200000010000000080800000000d51d204b00000009704859730000000100000001004f25c4d60000003a4944 \
     4154789c63f0018269d31e3d920582cccccd9b19b008080babaa5a58b0038194948e0ef902d3810024307d3a4460fa740b76a00890af0300387a1fe6 \
     4a7f6d450000000049454e44ae426082";
/// What no report may hold: whose it is, where and with what it was taken, what it was called.
const SECRETS: [&str; 7] =
    ["Mill Lane", "52.1234", "Ottilie", "ns.adobe.com", "Photoshop", "hidden behind", "Lavf"];

fn bytes(hex: &str) -> Vec<u8> {
    let digits: Vec<char> = hex.chars().filter(|digit| *digit != ' ').collect();
    let byte = |pair: &[char]| u8::from_str_radix(&pair.iter().collect::<String>(), 16).expect("hex");
    digits.chunks(2).map(byte).collect()
}

/// A photograph as a phone takes it: to be turned by a quarter, with place, camera, author, edits and another picture behind it.
pub(crate) fn taken() -> Vec<u8> {
    let segment = |marker: u8, data: &[u8]| -> Vec<u8> {
        [&[0xff, marker][..], &(data.len() as u16 + 2).to_be_bytes(), data].concat()
    };
    let entry = |tag: u16, kind: u16, count: u32, value: u32| -> Vec<u8> {
        [&tag.to_le_bytes()[..], &kind.to_le_bytes(), &count.to_le_bytes(), &value.to_le_bytes()].concat()
    };
    let place = b"Mill Lane camera, 52.1234 N 7.4321 E\0";
    let ifd = [
        &3_u16.to_le_bytes()[..],
        &entry(0x10f, 2, place.len() as u32, 50),
        &entry(0x112, 3, 1, 6),
        &entry(0x8825, 4, 1, 50),
        &[0; 4],
    ]
    .concat();
    let exif = [b"Exif\0\0II*\0\x08\0\0\0", &ifd[..], place].concat();
    let jpeg = bytes(JPEG);
    let more = [
        segment(0xe1, &exif),
        segment(0xe1, b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta>Ottilie</x:xmpmeta>"),
        segment(0xed, b"Photoshop 3.0\0Ottilie"),
    ]
    .concat();
    [&jpeg[..2], &more, &jpeg[2..], b"hidden behind"].concat()
}

/// A drawing with its author in it.
pub(crate) fn drawn() -> Vec<u8> {
    let png = bytes(PNG);
    let text = b"tEXtAuthor\0Ottilie of Mill Lane";
    let length = (text.len() as u32 - 4).to_be_bytes();
    [&png[..33], &length, text, &[0; 4], &png[33..]].concat()
}

const TABLE: &str = "kind = \"command\"\ncommand = [\"true\", \"{terminal}\"]\napart = \"50 ms\"\nsettle = \"50 ms\"\nspread = \"0 s\"\n";

fn session(at: &Path, photographs: &str) {
    super::switcher::session(at, &format!("{TABLE}photographs = [{photographs}]"));
}

fn pictures(html: &str) -> Vec<Vec<u8>> {
    let address = |rest: &str| Base64::decode_vec(rest.split('"').next()?).ok();
    html.split("base64,").skip(1).map(|rest| address(rest).expect("a picture")).collect()
}

fn assert_no_secret(what: &str, bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    for secret in SECRETS {
        assert!(!text.contains(secret), "{secret} is in {what}");
    }
}

#[test]
fn only_pictures_reach_the_report_and_a_changed_one_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    std::fs::write(at.join("rig.jpg"), taken()).expect("written");
    std::fs::write(at.join("plan.png"), drawn()).expect("written");
    session(
        at,
        "{ file = \"rig.jpg\", caption = \"The relays <behind> it\" }, { file = \"plan.png\", caption = \"The wiring\" }",
    );
    succeeded(at, &super::switcher::RUN);
    let verified = ["verify", ".", "--session", "."];
    succeeded(at, &verified);
    let html = || {
        succeeded(at, &["report", "."]);
        std::fs::read_to_string(at.join("report/report.html")).expect("the report")
    };
    let page = html();
    let shown = pictures(&page);
    assert_eq!(shown.len(), 2);
    for picture in &shown {
        assert_no_secret("a picture", picture);
    }
    assert_no_secret("the report", page.as_bytes());
    assert!(
        page.contains("alt=\"The relays &lt;behind&gt; it\" width=\"8\" height=\"16\""),
        "turned by a quarter"
    );
    assert!(page.contains("alt=\"The wiring\" width=\"16\" height=\"8\""));
    let known = json(at, &["report", ".", "--json"]);
    assert_eq!(known["compared"]["photographs"][0]["caption"], "The relays <behind> it");
    // All in one file: the pictures that were sealed, and nothing else of the files.
    succeeded(at, &["report", ".", "--archive", "all.tar"]);
    let archive = std::fs::read(at.join("all.tar")).expect("the archive");
    assert_no_secret("the archive", &archive);
    assert!(archive.windows(shown[0].len()).any(|piece| piece == shown[0]));
    let checked = succeeded(at, &["verify", "all.tar"]).out;
    assert!(checked.contains("rig.jpg") || !checked.contains("differs"), "{checked}");
    // People may be on it.
    succeeded(at, &["report", ".", "--anonymous"]);
    let anonymous = std::fs::read_to_string(at.join("report/report.html")).expect("the report");
    assert!(
        !anonymous.contains("base64,") && !anonymous.contains("The wiring") && !anonymous.contains("rig.jpg")
    );
    assert!(anonymous.contains("2 photographs of the set-up are withheld"));
    // Whoever takes out what a camera wrote, changes nothing that was sealed.
    std::fs::write(at.join("rig.jpg"), &shown[0]).expect("written");
    succeeded(at, &verified);
    // Another picture is told, and shown to nobody; the rest of the report stays.
    std::fs::write(at.join("rig.jpg"), bytes(JPEG)).expect("written");
    let told = earwitness(at, &verified);
    assert!(told.code == 1 && told.out.contains("rig.jpg"), "{} {}", told.out, told.err);
    let page = html();
    assert_eq!(pictures(&page), shown[1..]);
    assert!(page.contains("rig.jpg changed after the sittings were opened"));
    assert!(!page.contains("Not what was heard"), "nobody heard a photograph");
}

#[test]
fn of_a_clubs_logo_only_the_picture_is_handed_on_and_an_earlier_sitting_of_the_whole_file_still_fits() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    material::session(at, material::SYNTH, material::PAIR, material::RESISTOR);
    let file = at.join("session.toml");
    let text = std::fs::read_to_string(&file).expect("the session").replace("trials = 6", "trials = 1");
    std::fs::write(&file, text + "\n[club]\nname = \"Lower Mill\"\nlogo = \"logo.png\"\n").expect("written");
    std::fs::write(at.join("logo.png"), drawn()).expect("written");
    succeeded(at, &super::switcher::RUN);
    succeeded(at, &["report", ".", "--archive", "all.tar"]);
    let archive = std::fs::read(at.join("all.tar")).expect("the archive");
    assert_no_secret("the archive", &archive);
    succeeded(at, &["verify", "all.tar"]);
    // The author goes, the picture stays: nothing that was sealed has changed.
    let clean = pictures(&std::fs::read_to_string(at.join("report/report.html")).expect("the report"));
    std::fs::write(at.join("logo.png"), &clean[0]).expect("written");
    succeeded(at, &["verify", ".", "--session", "."]);
    // What earlier sittings sealed of the same file.
    std::fs::write(at.join("logo.png"), drawn()).expect("written");
    let session = earwitness::session::load(&file).expect("sound");
    let mut sealed = InputTerms::of(&session).expect("its files are there");
    assert!(changed_inputs(&sealed, &InputTerms::here(&session)).is_empty());
    let logo = sealed.iter_mut().find(|input| input.name == "logo.png").expect("sealed");
    (logo.bytes, logo.sha256) = (drawn().len() as u64, Digest::of(&drawn()));
    assert!(changed_inputs(&sealed, &InputTerms::here(&session)).is_empty());
    std::fs::write(at.join("logo.png"), bytes(PNG)).expect("written");
    let session = earwitness::session::load(&file).expect("sound");
    assert_eq!(changed_inputs(&sealed, &InputTerms::here(&session)), ["logo.png"]);
}

#[test]
fn what_is_no_photograph_of_the_set_up_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let check = ["check", "."];
    std::fs::write(at.join("rig.jpg"), b"<svg onload=\"alert(1)\"/>").expect("written");
    let rig = "{ file = \"rig.jpg\", caption = \"x\" }";
    session(at, rig);
    refused(at, &check, &["photographs[1]", "rig.jpg", "neither a JPEG nor a PNG"]);
    std::fs::write(at.join("rig.jpg"), vec![0xff; (4 << 20) + 1]).expect("written");
    refused(at, &check, &["rig.jpg", "cannot be used"]);
    for (photographs, words) in [
        ("{ file = \"../rig.jpg\", caption = \"x\" }", vec!["session's folder"]),
        ("{ file = \"/etc/passwd\", caption = \"x\" }", vec!["session's folder"]),
        ("{ file = \"rig.jpg\" }", vec!["caption"]),
        ("{ file = \"none.jpg\", caption = \"x\" }", vec!["none.jpg", "cannot be used"]),
        (&[rig; 5].join(", "), vec!["at most 4"]),
    ] {
        session(at, photographs);
        refused(at, &check, &words);
    }
}
