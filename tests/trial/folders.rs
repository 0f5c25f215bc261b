//! Tampered folders of sittings: what was changed beside or among the journals is refused, journal by journal.

use std::path::{Path, PathBuf};

use earwitness::stats::Protocol;
use earwitness::trial::register::{self, Entry};
use earwitness::trial::{Digest, Record, Sittings, chain, journal, verify};

use super::kit::{self, Journal as _, Memory, UTC};

/// A folder with three closed sittings, and their journals.
struct Folder {
    folder: tempfile::TempDir,
    journals: Vec<PathBuf>,
}

impl Folder {
    fn new() -> Self {
        let folder = kit::folder();
        let mut journals = Vec::new();
        for seed in 0..3 {
            let sittings = Sittings::lock(folder.path(), UTC).unwrap();
            let opened = sittings.open(kit::full(Protocol::Abx), kit::secret(seed), None).unwrap();
            journals.push(opened.writer.path());
            kit::in_folder(opened).finish();
        }
        Self { folder, journals }
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn register(&self) -> Vec<Entry> {
        register::read(self.path()).unwrap().entries
    }

    /// Writes the register anew, with a chain that fits.
    fn write_register(&self, entries: &[Entry]) {
        let (mut bytes, mut head) = (Vec::new(), Digest::NOTHING);
        for (index, entry) in entries.iter().enumerate() {
            let line = chain::encode(index as u64 + 1, head, None, entry).unwrap();
            head = Digest::of(&line);
            bytes.extend([line.as_slice(), b"\n"].concat());
        }
        std::fs::write(self.path().join("register.jsonl"), bytes).unwrap();
    }

    fn change_register(&self, change: impl FnOnce(&mut Vec<Entry>)) {
        let mut entries = self.register();
        change(&mut entries);
        self.write_register(&entries);
    }

    /// Writes a journal anew, with a chain that fits.
    fn change_journal(&self, number: usize, change: impl FnOnce(&mut Vec<Record>)) {
        let mut records = journal::read(&self.journals[number]).unwrap().records;
        change(&mut records);
        let mut memory = Memory::default();
        for record in &records {
            memory.append(record);
        }
        std::fs::write(&self.journals[number], memory.bytes).unwrap();
    }

    fn change_bytes(&self, name: &str, change: impl FnOnce(&mut Vec<u8>)) {
        let path = self.path().join(name);
        let mut bytes = std::fs::read(&path).unwrap();
        change(&mut bytes);
        std::fs::write(path, bytes).unwrap();
    }

    /// Whether every sitting that was announced is there and sound, and nothing else is there.
    fn is_whole(&self) -> bool {
        let view = verify::register(self.path());
        view.problem.is_none()
            && view.unregistered.is_empty()
            && view.announced.iter().all(|announced| announced.there && announced.closed.is_some())
            && view
                .announced
                .iter()
                .all(|announced| kit::check(&self.path().join(&announced.journal)).is_sound())
    }
}

fn closing(records: &mut [Record]) -> &mut earwitness::trial::Closing {
    match records.last_mut() {
        Some(Record::Closing(closing)) => closing,
        other => panic!("no closing: {other:?}"),
    }
}

#[test]
fn tampered_folders_are_refused() {
    type Change = fn(&Folder);
    let changes: [(&str, Change); 21] = [
        ("the losing journal is removed", |f| std::fs::remove_file(&f.journals[0]).unwrap()),
        ("and its lines of the register too", |f| {
            std::fs::remove_file(&f.journals[0]).unwrap();
            f.change_register(|entries| drop(entries.drain(..2)));
        }),
        ("no register", |f| std::fs::remove_file(f.path().join("register.jsonl")).unwrap()),
        ("an empty register", |f| f.write_register(&[])),
        ("the register's tail is cut", |f| f.change_register(|entries| entries.truncate(5))),
        ("a register of another order", |f| f.change_register(|entries| entries.swap(0, 2))),
        ("a closing is entered twice", |f| {
            f.change_register(|entries| {
                let last = entries[5].clone();
                entries.insert(2, last);
            });
        }),
        ("another receipt in the register", |f| {
            f.change_register(|entries| {
                if let Entry::Closed { receipt, .. } = &mut entries[3] {
                    *receipt = Digest::of(b"another");
                }
            });
        }),
        ("another listener in the register", |f| {
            f.change_register(|entries| {
                if let Entry::Opened { listener, .. } = &mut entries[4] {
                    "Somebody else".clone_into(listener);
                }
            });
        }),
        ("a simulated one becomes a person's", |f| {
            f.change_register(|entries| {
                if let Entry::Opened { simulated, .. } = &mut entries[4] {
                    *simulated = Some(0.9);
                }
            });
        }),
        ("a byte of the register", |f| f.change_bytes("register.jsonl", |bytes| bytes[100] ^= 1)),
        ("two journals change places", |f| {
            let kept = f.path().join("kept");
            std::fs::rename(&f.journals[0], &kept).unwrap();
            std::fs::rename(&f.journals[1], &f.journals[0]).unwrap();
            std::fs::rename(kept, &f.journals[1]).unwrap();
        }),
        ("a copy of the best one in place of another", |f| {
            std::fs::copy(&f.journals[2], &f.journals[0]).unwrap();
        }),
        ("a second copy of the best one", |f| {
            std::fs::copy(&f.journals[2], f.path().join("2026-02-01T20-15-00Z-copy.jsonl")).unwrap();
        }),
        ("a journal made up from nothing", |f| {
            let made_up = kit::in_memory(&kit::full(Protocol::Abx), 77).finish().journal.bytes;
            std::fs::write(f.path().join("made-up.jsonl"), made_up).unwrap();
        }),
        ("and in the losing one's place", |f| {
            let made_up = kit::in_memory(&kit::full(Protocol::Abx), 77).finish().journal.bytes;
            std::fs::write(&f.journals[0], made_up).unwrap();
        }),
        ("a journal without its closing", |f| f.change_journal(1, |records| drop(records.pop()))),
        ("a journal closed under fewer sittings", |f| {
            f.change_journal(2, |records| closing(records).sittings = Some(1));
            let receipt = kit::check(&f.journals[2]).receipt.unwrap();
            f.change_register(|entries| {
                if let Some(Entry::Closed { receipt: known, .. }) = entries.last_mut() {
                    *known = receipt;
                }
            });
        }),
        ("a journal closed under another register", |f| {
            f.change_journal(2, |records| closing(records).register = Some(Digest::of(b"another")));
            let receipt = kit::check(&f.journals[2]).receipt.unwrap();
            f.change_register(|entries| {
                if let Some(Entry::Closed { receipt: known, .. }) = entries.last_mut() {
                    *known = receipt;
                }
            });
        }),
        ("two sittings are announced, and one journal stands for both", |f| {
            let name = earwitness::files::name(&f.journals[1]);
            std::fs::remove_file(&f.journals[2]).unwrap();
            f.change_register(|entries| {
                entries.pop();
                if let Entry::Opened { journal, .. } = &mut entries[4] {
                    *journal = name;
                }
            });
        }),
        ("an answer written anew in a chain that fits", |f| {
            f.change_journal(1, |records| {
                let answer = records.iter_mut().rev().find(|record| matches!(record, Record::Answer { .. }));
                if let Some(Record::Answer { answer, .. }) = answer {
                    *answer = if answer == "a" { "b".to_owned() } else { "a".to_owned() };
                }
            });
        }),
    ];
    assert!(Folder::new().is_whole());
    for (what, change) in changes {
        let folder = Folder::new();
        change(&folder);
        assert!(!folder.is_whole(), "{what} passes");
    }
}

/// Times and counts that nobody listens for, in a chain that fits: they are told, and nothing ends over them.
#[test]
fn a_journal_of_the_largest_times_is_read_to_its_end() {
    let folder = Folder::new();
    folder.change_journal(1, |records| {
        for record in records {
            if let Record::Answer { listening, .. } = record {
                listening.listens.fill(u32::MAX);
                listening.heard_ms.fill(u64::MAX);
                (listening.took_ms, listening.switches) = (u64::MAX, u32::MAX);
            }
        }
    });
    let readings = earwitness::evidence::folder(folder.path(), None).expect("the folder can be read");
    let mut rows =
        readings.journals.iter().flat_map(|journal| &journal.content.as_ref().expect("its facts").trials);
    assert!(rows.any(|trial| trial.listens == u32::MAX && trial.heard_ms == u64::MAX));
}
