//! Nobody gets in who does not belong, and nobody gets more than the own seat.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::time::Duration;

use earwitness::ballot::guard::Paces;
use earwitness::ballot::hosting::NightEnvironment;

use super::stage::{Host, Phone, Recorder, Reply, join, raw, real_environment, request, request_of, session};

fn host(folder: &std::path::Path) -> Host {
    let session = session(folder, "abx", 2, "");
    Host::start(move || {
        let environment =
            NightEnvironment { paces: Paces::default(), ..real_environment(&Recorder::default()) };
        (request_of(session), environment)
    })
    .expect("the night is open")
}

fn ask(host: &Host, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Reply {
    raw(host.address, &request(host.address, method, path, headers, body)).expect("an answer")
}

#[test]
fn a_seat_needs_the_code_and_a_vote_needs_the_seat() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path());
    for code in ["", "AAAAAA", &host.code[1..]] {
        let reply = join(host.address, code, "Thief", None);
        assert_eq!(reply.status, 403, "{code}: {reply:?}");
        assert!(reply.header("set-cookie").is_none());
    }
    let ida = Phone::join(&host, "Ida", None);
    let ola = Phone::join(&host, "Ola", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let trial = host.to_the_votes();
    let body = serde_json::json!({ "trial": trial, "answer": "a", "sequence": 1 }).to_string();
    assert_eq!(ask(&host, "POST", "/vote", &[], &body).status, 401, "without a token");
    // Ida's proof under Ola's number.
    let (name, token) = ida.cookie.split_once('=').expect("a cookie");
    let forged = format!("{name}={}", token.replacen("1-1-", "2-1-", 1));
    assert_eq!(ask(&host, "POST", "/vote", &[("Cookie", &forged)], &body).status, 401, "for another seat");
    assert_eq!(
        ask(&host, "POST", "/vote", &[("X-Seat", "2-1-00000000000000000000000000000000")], &body).status,
        401
    );
    assert_eq!(
        ask(&host, "POST", "/vote", &[("X-Seat", token)], &body).status,
        200,
        "the header is as good as the cookie"
    );
    assert_eq!(ola.state()["vote"], serde_json::Value::Null, "Ola has no vote");
    // The room's code and key open no seat, a seat opens no display.
    assert_eq!(ask(&host, "GET", "/room-state", &[("X-Room-Key", &host.code)], "").status, 401);
    assert_eq!(ask(&host, "GET", "/room-state", &[("Cookie", &ida.cookie)], "").status, 401);
    assert_eq!(
        ask(&host, "GET", "/room-join", &[], "").status,
        401,
        "the code is on the display, not on the network"
    );
    host.leave();
}

#[test]
fn foreign_hosts_and_origins_are_turned_away() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path());
    let port = host.address.port();
    let get = |lines: &str| {
        raw(host.address, format!("GET / HTTP/1.1\r\n{lines}\r\n").as_bytes()).expect("an answer")
    };
    assert_eq!(get(&format!("Host: 127.0.0.1:{port}\r\n")).status, 200);
    assert_eq!(get(&format!("Host: localhost:{port}\r\n")).status, 200);
    for wrong in [
        format!("Host: rebound.example:{port}\r\n"),
        "Host: 127.0.0.1\r\n".to_owned(),
        format!("Host: 127.0.0.1:{port}\r\nHost: rebound.example\r\n"),
    ] {
        let status = get(&wrong).status;
        assert!(status == 421 || status == 400, "{wrong}: {status}");
    }
    let body = serde_json::json!({ "code": host.code, "alias": "Thief", "seat": null }).to_string();
    for origin in ["", "Origin: null\r\n", "Origin: http://evil.example\r\n"] {
        let text = format!(
            "POST /join HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n{origin}Content-Type: application/json\r\nContent-Length: \
             {}\r\n\r\n{body}",
            body.len()
        );
        assert_eq!(raw(host.address, text.as_bytes()).expect("an answer").status, 403, "{origin}");
    }
    assert_eq!(host.look().taken, 0, "nobody got a seat that way");
    host.leave();
}

#[test]
fn there_are_no_files_behind_the_paths() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path());
    for path in [
        "/session.toml",
        "/..%2f..%2fsession.toml",
        "/../session.toml",
        "/sittings/",
        "/pages/phone.js",
        "/index.html",
        "/state/",
        "/journal/../session.toml",
    ] {
        let reply = ask(&host, "GET", path, &[], "");
        assert_eq!(reply.status, 404, "{path}: {reply:?}");
    }
    assert_eq!(ask(&host, "GET", "/journal", &[], "").status, 401);
    assert_eq!(
        ask(&host, "DELETE", "/state", &[("Origin", &format!("http://{}", host.address))], "").status,
        405
    );
    host.leave();
}

#[test]
fn every_answer_forbids_what_the_pages_do_not_need() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path());
    for path in ["/", "/room", "/common.js", "/phone.js", "/state", "/nowhere"] {
        let reply = ask(&host, "GET", path, &[], "");
        let policy = reply.header("content-security-policy").expect("a policy");
        assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(reply.header("x-content-type-options"), Some("nosniff"), "{path}");
        // A page may be found again in a phone's history after the night; what a night says may not.
        let kept = if ["/state", "/nowhere"].contains(&path) { "no-store" } else { "no-cache" };
        assert_eq!(reply.header("cache-control"), Some(kept), "{path}");
        assert_eq!(reply.header("referrer-policy"), Some("no-referrer"), "{path}");
        assert!(
            reply.header("server").is_none() && reply.header("access-control-allow-origin").is_none(),
            "{path}"
        );
    }
    let reply = join(host.address, &host.code, "Ida", None);
    let cookie = reply.header("set-cookie").expect("a cookie");
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    let pages = ["/", "/room", "/common.js", "/phone.js", "/room.js", "/night.css"];
    for page in pages {
        let text = ask(&host, "GET", page, &[], "").body;
        assert!(text.len() > 400, "{page} is served whole");
        for forbidden in [
            "innerHTML",
            "outerHTML",
            "insertAdjacent",
            "document.write",
            "eval(",
            "onclick=",
            "style=\"",
            "url(",
        ] {
            assert!(!text.contains(forbidden), "{page} holds {forbidden}");
        }
        let addresses = text.replace("http://www.w3.org/2000/svg", "");
        assert!(!addresses.contains("http://") && !addresses.contains("https://"), "{page} asks nobody else");
    }
    host.leave();
}

#[test]
fn nonsense_and_floods_are_refused_and_the_night_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path());
    let ida = Phone::join(&host, "Ida", None);
    host.say("next").expect("accepted");
    host.say("next").expect("sealed");
    let trial = host.to_the_votes();
    let cookie = [("Cookie", ida.cookie.as_str())];
    for body in [
        "",
        "{",
        "[]",
        "{\"trial\":1,\"answer\":\"a\",\"sequence\":1}",
        "{\"trial\":\"main-1-1\",\"answer\":\"a\",\"sequence\":-1}",
        "{\"trial\":\"main-1-1\",\"answer\":\"a\",\"sequence\":1,\"seat\":2}",
    ] {
        let reply = ask(&host, "POST", "/vote", &cookie, body);
        assert_eq!(reply.status, 400, "{body}: {reply:?}");
    }
    let large = format!("{{\"text\":\"{}\"}}", "x".repeat(10_000));
    assert_eq!(ask(&host, "POST", "/typed-hand", &cookie, &large).status, 413);
    assert_eq!(ida.vote(&trial, "zebra").status, 400);
    // A hundred votes at once from one seat: a few are taken, the rest is told to slow down, the last one stands.
    let statuses: Vec<u16> =
        (0..40).map(|n| ida.vote_as(&trial, if n % 2 == 0 { "a" } else { "b" }, n + 1).status).collect();
    assert!(statuses.contains(&429), "{statuses:?}");
    assert!(statuses.iter().filter(|&&status| status == 200).count() <= 12, "{statuses:?}");
    // Guessing the code is slowed down before the code is looked at.
    let statuses: Vec<u16> =
        (0..40).map(|n| join(host.address, &format!("AAAA{n:02}"), "Thief", None).status).collect();
    assert!(statuses.contains(&429), "{statuses:?}");
    let log = std::fs::read_to_string(&host.refused_log).expect("the log");
    for word in
        ["\"asked\":\"vote\"", "\"why\":\"malformed\"", "\"why\":\"too-many\"", "\"why\":\"wrong-code\""]
    {
        assert!(log.contains(word), "{word}");
    }
    assert!(!log.contains("127.0.0.1"), "nobody's address is kept");
    host.say("close").expect("closed");
    let journal = std::fs::read_to_string(&host.journal).expect("the journal");
    assert!(journal.contains("refused: "), "the journal says how much was refused");
    host.leave();
}

#[test]
fn slow_and_silent_connections_hold_nobody_up() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path());
    let silent: Vec<TcpStream> =
        (0..64).map(|_| TcpStream::connect(host.address).expect("a connection")).collect();
    let mut slow = TcpStream::connect(host.address).expect("a connection");
    slow.write_all(b"GET /state HTTP/1.1\r\nHo").expect("half a request");
    let started = std::time::Instant::now();
    Phone::join(&host, "Ida", None);
    // Half a request is given up after ten seconds: others do not wait for that, however busy the machine is.
    assert!(started.elapsed() < Duration::from_secs(8), "others are served");
    slow.set_read_timeout(Some(Duration::from_secs(60))).expect("a timeout");
    let mut rest = Vec::new();
    let _ = slow.read_to_end(&mut rest);
    assert!(started.elapsed() < Duration::from_secs(50), "the server ends it");
    assert!(!String::from_utf8_lossy(&rest).contains("200 OK"));
    drop(silent);
    host.leave();
}

#[test]
fn an_address_that_stands_for_all_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let refused = Host::start(move || {
        let mut request = request_of(session);
        request.listen = Some("0.0.0.0:0".parse().expect("an address"));
        (request, real_environment(&Recorder::default()))
    });
    let message = refused.err().expect("refused").to_string();
    assert!(message.contains("--listen"), "{message}");
}

#[test]
fn a_second_host_is_told_that_there_is_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let host = host(folder.path());
    let again = session(folder.path(), "abx", 2, "");
    let refused = Host::start(move || (request_of(again), real_environment(&Recorder::default())));
    let message = refused.err().expect("refused").to_string();
    assert!(message.contains("one host at a time"), "{message}");
    host.leave();
}
