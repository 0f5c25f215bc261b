//! Requests that a machine changed, sent to a night by the hundred: an answer or a closed connection, and the night goes on.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpStream};
use std::time::Duration;

use super::stage::{Host, Phone, Recorder, join, real_environment, request_of, session};
use crate::fuzz::attack;

#[test]
fn changed_requests_do_no_harm() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path(), "abx", 2, "");
    let host =
        Host::start(move || (request_of(session), real_environment(&Recorder::default()))).expect("open");
    let joined = join(host.address, &host.code, "Ida", None);
    let cookie =
        joined.header("set-cookie").unwrap_or_default().split(';').next().unwrap_or_default().to_owned();
    let request = |method: &str, path: &str, body: &str| {
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nCookie: {cookie}\r\nOrigin: http://{}\r\n",
            host.address, host.address
        );
        format!(
            "{head}Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
            body.len()
        )
        .into_bytes()
    };
    let seeds = [
        request("GET", "/", ""),
        request("GET", "/state", ""),
        request("POST", "/join", "{\"code\":\"x\",\"name\":\"Ola\"}"),
        request("POST", "/hand", "{\"hash\":\"00\"}"),
        request("POST", "/vote", "{\"trial\":\"main-1-1\",\"answer\":\"a\"}"),
    ];
    attack("request", 1, &seeds, |bytes| {
        let mut stream = TcpStream::connect(host.address).map_err(|error| error.to_string())?;
        stream.set_read_timeout(Some(Duration::from_secs(5))).expect("a socket");
        let _ = stream.write_all(bytes).and_then(|()| stream.shutdown(Shutdown::Write));
        let mut reply = Vec::new();
        let _ = stream.read_to_end(&mut reply);
        let reply = String::from_utf8_lossy(&reply);
        assert!(!reply.contains("panicked") && !reply.starts_with("HTTP/1.1 5"), "{reply}");
        Ok(())
    });
    // It is still there for its guests, with the one who came.
    assert_eq!(Phone::seated(host.address, &joined).get("/state").status, 200);
    host.leave();
}
