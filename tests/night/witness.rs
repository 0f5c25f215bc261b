//! Witnesses' phones: Chromium through a whole sitting, a second terminal, and who is let in.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use earwitness::ballot::witnessing::{Code, WitnessDesk};
use earwitness::conduct::witness::{Ask, Desk as _, Shown};
use earwitness::trial::{Digest, Record};

use crate::commands::earwitness;

/// A sitting long enough for everything that happens to it, with a simulated listener.
fn session(folder: &Path) {
    super::stage::session(folder, "abx", 40, "");
}

#[test]
fn chromium_as_witness_through_sleep_reload_death_and_a_killed_computer() {
    let modules = crate::tool("EARWITNESS_NODE_MODULES");
    let folder = tempfile::tempdir().expect("a folder");
    session(folder.path());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/witness.mjs");
    let output = Command::new("node")
        .arg(script)
        .args([Path::new(env!("CARGO_BIN_EXE_earwitness")), folder.path()])
        .args(std::env::var_os("EARWITNESS_PICTURES"))
        .env("EARWITNESS_NODE_MODULES", modules)
        .output()
        .expect("node runs");
    let said =
        format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success() && said.contains("witnesses in a browser: all held"), "{said}");
    let held = earwitness(
        folder.path(),
        &["verify", ".", "--witness", "copy-first.json", "--witness", "copy-second.json"],
    );
    assert_eq!(held.code, 0, "{}{}{said}", held.out, held.err);
    assert!(held.out.contains("trials witnessed by Jorin, Pia"), "{}", held.out);
    assert!(held.out.contains("copy held against it"), "{}", held.out);
}

/// A sitting of a simulated listener with witnesses, and the address that it shows.
struct Sitting {
    child: Child,
    address: String,
}

fn sit(folder: &Path, listen: &str, more: &[&str]) -> Sitting {
    let mut child = Command::new(env!("CARGO_BIN_EXE_earwitness"))
        .args(["run", ".", "--listener", "Ida", "--output", "silent", "--simulate", "0.8", "--witness"])
        .args(["--listen", listen])
        .args(more)
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap()).lines();
    let address =
        said.find_map(|line| line.unwrap().strip_prefix("witness: open ").map(str::to_owned)).unwrap();
    // What comes after it is not waited for.
    std::thread::spawn(move || said.for_each(drop));
    Sitting { child, address }
}

fn witness(folder: &Path, address: &str, copy: &str) -> Child {
    Command::new(env!("CARGO_BIN_EXE_earwitness"))
        .args(["witness", address, "--name", "Jorin", "--copy", copy])
        .current_dir(folder)
        .stdout(Stdio::null())
        .spawn()
        .unwrap()
}

fn only_journal(folder: &Path) -> Option<PathBuf> {
    let mut sittings = std::fs::read_dir(folder.join("sittings")).ok()?.map(|entry| entry.unwrap().path());
    let named = |path: &PathBuf| path.to_string_lossy().ends_with("-Ida.jsonl");
    sittings.find(named)
}

#[test]
fn a_second_terminal_is_a_witness_while_the_computer_is_killed_again_and_again() {
    let folder = tempfile::tempdir().unwrap();
    super::stage::session(folder.path(), "abx", 40, "");
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let mut sitting = sit(folder.path(), &port, &["--new"]);
    let address = sitting.address.clone();
    let mut other = witness(folder.path(), &address, "copy.json");
    // Killed at one record after another: at the links, the answers, the seal.
    let journal = loop {
        if let Some(journal) = only_journal(folder.path()) {
            break journal;
        }
        std::thread::sleep(Duration::from_millis(10));
    };
    let records = || std::fs::read(&journal).unwrap().iter().filter(|&&byte| byte == b'\n').count();
    for more in [4, 7, 10] {
        let enough = records() + more;
        let patience = Instant::now();
        while records() < enough {
            assert!(patience.elapsed() < Duration::from_secs(30), "{} of {enough} records", records());
            std::thread::sleep(Duration::from_millis(1));
        }
        sitting.child.kill().unwrap();
        sitting.child.wait().unwrap();
        sitting = sit(folder.path(), &port, &["--resume"]);
        assert_eq!(sitting.address, address, "witnesses find it again");
    }
    assert!(sitting.child.wait().unwrap().success());
    assert!(other.wait().unwrap().success(), "it saw the end");
    let held = earwitness(folder.path(), &["verify", ".", "--witness", "copy.json", "--json"]);
    assert_eq!(held.code, 0, "{}{}", held.out, held.err);
    let document: serde_json::Value = serde_json::from_str(&held.out).unwrap();
    let copy = &document["journals"][0]["witness_copies"][0];
    assert_eq!(
        (&copy["trials"], &copy["of"], &copy["fits"]),
        (&41.into(), &41.into(), &true.into()),
        "{copy}"
    );
    assert_eq!(document["journals"][0]["resumed"], 3);
    // From the record that a trial follows to its link on the disk: what a listener waits.
    let read = earwitness::trial::journal::read(&journal).unwrap();
    let mut waits: Vec<u64> = read
        .records
        .windows(2)
        .filter(|pair| matches!(pair[1], Record::LinkOpened { .. }))
        .filter(|pair| matches!(pair[0], Record::Answer { .. }))
        .map(|pair| pair[1].at_ms() - pair[0].at_ms())
        .collect();
    waits.sort_unstable();
    println!(
        "a link took {} ms in the middle, {} ms at most",
        waits[waits.len() / 2],
        waits[waits.len() - 1]
    );
    assert!(waits[waits.len() / 2] < 50, "{waits:?}");
}

/// One request, as it stands; the answer's status and body.
fn ask(address: SocketAddr, request: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let status = answer.split(' ').nth(1).unwrap().parse().unwrap();
    (status, answer)
}

#[test]
fn only_who_has_the_code_looks_joins_and_is_asked() {
    let folder = tempfile::tempdir().unwrap();
    let mut desk = WitnessDesk::at("127.0.0.1:0".parse().unwrap(), |_| {}).unwrap();
    let invitation = desk.open(&folder.path().join("journal.jsonl")).unwrap();
    desk.publish(Shown { listener: "Ottilie".to_owned(), ..Shown::default() });
    let (host, typed) = invitation.address.trim_start_matches("http://").split_once("/#").unwrap();
    let (address, code): (SocketAddr, Code) = (host.parse().unwrap(), Code::new(typed));
    assert_eq!(code, Code::new(&typed.to_lowercase()), "as people type it");
    assert_eq!(typed.len(), 16);
    let end = Digest::of(b"an end");
    let get = |path: &str, key: &str| {
        let head =
            format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nX-Witness: {key}\r\nConnection: close\r\n\r\n");
        ask(address, &head)
    };
    let post = |host: &str, origin: &str, key: &str, body: &str| {
        let length = body.len();
        let head = format!(
            "POST /witness-join HTTP/1.1\r\nHost: {host}\r\n{origin}X-Witness: {key}\r\nContent-Length: {length}\r\n\
             Connection: close\r\n\r\n{body}"
        );
        ask(address, &head)
    };
    let (status, seen) = get("/witness-state?seen=9", &code.look());
    assert!(status == 200 && seen.contains("Ottilie"), "{seen}");
    // Pages say nothing of the sitting, and no answer holds the code.
    for path in ["/", "/witness.js", "/hand.js", "/night.css"] {
        let (status, page) = get(path, "");
        assert!(status == 200 && !page.contains("Ottilie") && !page.contains(typed), "{path}");
        assert!(page.contains("content-security-policy: default-src 'none'"), "{path}");
    }
    let own = format!("Origin: http://{host}\r\n");
    let body =
        |name: &str, proof: &str| format!(r#"{{"name":"{name}","end":"{}","proof":"{proof}"}}"#, end.hex());
    let good = body("Jorin", &code.join("Jorin", end));
    let cases = [
        (post(host, "", &code.look(), &good), 403),
        (post(host, "Origin: http://evil.example\r\n", &code.look(), &good), 403),
        (post("evil.example", &own, &code.look(), &good), 421),
        (post(host, &own, "", &good), 403),
        (post(host, &own, &code.look(), &body("Jorin", &code.join("Pia", end))), 403),
        (post(host, &own, &code.look(), "{"), 403),
        (post(host, &own, &code.look(), &body(" ", &code.join(" ", end))), 400),
    ];
    for (number, ((status, answer), wanted)) in cases.into_iter().enumerate() {
        assert_eq!(status, wanted, "case {number}: {answer}");
    }
    assert!(desk.next(Duration::ZERO).is_none(), "none of these reached the sitting");
    let joined = std::thread::scope(|scope| {
        let joined = scope.spawn(|| post(host, &own, &code.look(), &good));
        let request = desk.next(Duration::from_secs(5)).expect("the invited one does");
        assert_eq!(request.ask, Ask::Join { name: "Jorin".to_owned(), end });
        (request.reply)(Ok(()));
        joined.join().unwrap()
    });
    assert_eq!(joined.0, 200, "{}", joined.1);
    // Who guesses is slowed down.
    let statuses: Vec<u16> = (0..30).map(|_| get("/witness-state", "0000").0).collect();
    assert_eq!(statuses.last(), Some(&429), "{statuses:?}");
}
