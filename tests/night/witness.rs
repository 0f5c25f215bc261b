//! Witnesses' phones: Chromium through a whole sitting, a second terminal, and who is let in.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use earwitness::ballot::witnessing::terminal::TerminalWitness;
use earwitness::ballot::witnessing::{Code, WitnessServer};
use earwitness::conduct::witness::{Ask, Shown, WitnessService as _};
use earwitness::trial::copy::{SCHEMA, WitnessCopy};
use earwitness::trial::{Digest, Record};

use crate::commands::earwitness;

/// A sitting long enough for everything that happens to it, with a simulated listener.
fn session(folder: &Path) {
    super::stage::session(folder, "abx", 40, "");
}

#[test]
fn chromium_as_witness_through_sleep_reload_death_and_a_killed_computer() {
    let folder = tempfile::tempdir().expect("a folder");
    session(folder.path());
    let said = crate::in_browser("witness.mjs", folder.path(), "witnesses");
    let held = earwitness(
        folder.path(),
        &["verify", ".", "--witness", "copy-first.json", "--witness", "copy-second.json"],
    );
    assert_eq!(held.code, 0, "{}{}{said}", held.out, held.err);
    assert!(held.out.contains("trials witnessed by Jorin, Pia"), "{}", held.out);
    assert!(held.out.contains("witness's copy: "), "{}", held.out);
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
    // A witness's program that asked now and then, instead of being told, would take a second.
    assert!(waits[waits.len() / 2] < 500, "{waits:?}");
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
    let mut desk = WitnessServer::at("127.0.0.1:0".parse().unwrap(), |_| {}).unwrap();
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

/// What is answered, from what was asked so far.
type Answer = Box<dyn Fn(&[String]) -> String + Send>;

/// A server that answers each request in turn with one of these bodies; what was asked is given back.
fn dishonest(bodies: Vec<Answer>) -> (SocketAddr, std::thread::JoinHandle<Vec<String>>) {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let served = std::thread::spawn(move || {
        let mut asked: Vec<String> = Vec::new();
        for body in bodies {
            let (mut stream, _) = listener.accept().unwrap();
            let mut request = vec![0; 8192];
            let mut length = stream.read(&mut request).unwrap();
            // Head and body may come apart.
            while String::from_utf8_lossy(&request[..length]).starts_with("POST")
                && request[length - 1] != b'}'
            {
                length += stream.read(&mut request[length..]).unwrap();
            }
            asked.push(String::from_utf8_lossy(&request[..length]).into_owned());
            let text = body(&asked);
            write!(stream, "HTTP/1.1 200 OK\r\nContent-Length: {}\r\n\r\n{text}", text.len()).unwrap();
        }
        asked
    });
    (address, served)
}

/// The 64 digits after a key in the last request that has it.
fn given(asked: &[String], key: &str) -> String {
    let found = asked.iter().rev().find_map(|one| one.split(&format!("\"{key}\":\"")).nth(1)).unwrap();
    found[..64].to_owned()
}

#[test]
fn a_witness_opens_one_link_a_trial_for_the_sitting_alone_and_sees_another_past() {
    let code = "ACDEFHJKLMNPQRTU";
    let receipt = |number: u8| Digest([number; 32]);
    let state = |at: &str, receipts: Vec<Digest>, records: usize, witnesses: &str, asked: &str| {
        let receipts = serde_json::to_string(&receipts).unwrap();
        format!(
            r#"{{"version":1,"at":"{at}","title":"t","listener":"l","trial":null,"of":1,"void":[],"witnessed":0,"answered":0,
            "commitment":"c","links":9,"first":1,"receipts":{receipts},"records":{records},"witnesses":{witnesses}{asked}}}"#
        )
    };
    let asking = move |last: &str, trial: &str, signature: &str| {
        let witnesses = format!(r#"[{{"name":"J","last":"{last}","opened":false}}]"#);
        let asked = format!(
            r#","asked":{{"trial":"{trial}","receipt":"{}","signature":"{signature}"}}"#,
            receipt(1).hex()
        );
        state("asking", vec![receipt(1)], 1, &witnesses, &asked)
    };
    let signature = |trial: &str| Code::new(code).ask(trial, receipt(1));
    let run = |bodies: Vec<Answer>, steps: usize| {
        let (address, served) = dishonest(bodies);
        let mut witness = TerminalWitness::of(&format!("http://{address}/#{code}"), "J").unwrap();
        let mut last = Ok(());
        for _ in 0..steps {
            last = witness.step(&mut |_, _| {}).map(drop);
        }
        (last, served.join().unwrap(), witness.copy())
    };
    let joining = move || -> Answer { Box::new(move |_| state("joining", vec![receipt(1)], 1, "[]", "")) };
    let taken = || -> Answer { Box::new(|_| "{\"taken\":true}".to_owned()) };
    // Somebody else asks for the link.
    let forged = signature("main 2 1");
    let (last, asked, copy) = run(
        vec![joining(), taken(), Box::new(move |asked| asking(&given(asked, "end"), "main 1 1", &forged))],
        2,
    );
    assert!(last.unwrap_err().to_string().contains("without the sitting's signature"));
    assert!(asked.iter().all(|one| !one.contains("/witness-link")) && copy.unwrap().opened.is_empty());
    // The sitting asks twice for one trial: the second link would be the next trial's.
    let first = signature("main 1 1");
    let again = first.clone();
    let (last, asked, copy) = run(
        vec![
            joining(),
            taken(),
            Box::new(move |asked| asking(&given(asked, "end"), "main 1 1", &first)),
            taken(),
            Box::new(move |asked| asking(&given(asked, "link"), "main 1 1", &again)),
        ],
        3,
    );
    assert!(last.unwrap_err().to_string().contains("twice for the part of one draw"));
    assert_eq!((asked.len(), copy.unwrap().opened.len()), (5, 1), "one link left");
    // A copy that was kept of another sitting, under the same name.
    let (address, served) = dishonest(vec![joining()]);
    let kept = vec![receipt(7), receipt(8), receipt(9)];
    let (name, opened) = ("J".to_owned(), Vec::new());
    let copy = WitnessCopy { schema: SCHEMA.to_owned(), name, sitting: kept[0], receipts: kept, opened };
    let witness = TerminalWitness::of(&format!("http://{address}/#{code}"), "J").unwrap();
    let error = witness.with(copy).step(&mut |_, _| {}).unwrap_err().to_string();
    assert!(error.contains("another sitting than the one in your copy"), "{error}");
    assert!(served.join().unwrap()[0].contains("after=0"), "it is asked from the first record on");
    // Another past than before: a record changed, records gone.
    for (receipts, records, said) in
        [(vec![receipt(2)], 1, "record 1 is another one"), (vec![], 0, "it shows 0 records, and had shown 1")]
    {
        let later = Box::new(move |_: &[String]| state("rest", receipts.clone(), records, "[]", ""));
        let (last, _, _) = run(vec![joining(), taken(), later], 2);
        assert!(last.unwrap_err().to_string().contains(said), "{said}");
    }
}
