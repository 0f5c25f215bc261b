//! Blindness is tested, not promised: same keys, same clock, every draw forced to each alternative.

use earwitness::stats::Protocol;
use earwitness::trial::Definition;

use super::rig::{Setting, keys, session, sit};

#[test]
fn tmp_runs() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = session(folder.path(), "abx", 2, "", "");
    let mut text = String::from(". . PgDn PgDn PgDn Enter Enter . h a i Enter Enter Enter");
    for _ in 0..2 {
        text.push_str(" a . b . x . [ . . ] Left Down Enter");
    }
    text.push_str(" . Enter");
    let sat = sit(&Setting::new(&session), keys(&text));
    println!("{:?}", sat.result);
    println!("{:#?}", sat.calls);
    let mut parser = vt100::Parser::new(24.try_into().expect("not 0"), 80.try_into().expect("not 0"), 0);
    parser.process(&sat.bytes);
    println!("{}", parser.screen().contents());
    let _ = (Protocol::ALL, Definition::of(Protocol::Abx));
}
