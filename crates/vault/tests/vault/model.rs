//! Random puts, reads, forgets and seals against a plain model in memory.

use super::*;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestRunner};
use std::collections::{BTreeMap, BTreeSet};
use vault::{Filter, Journal};

#[derive(Debug, Clone)]
enum Action {
    /// Put content made of these blocks, with a tail, under a job.
    Put {
        job: u8,
        blocks: Vec<u8>,
        tail: u16,
    },
    Append {
        job: u8,
    },
    Seal {
        job: u8,
    },
    Forget {
        job: u8,
    },
    /// The index is lost.
    DropIndex,
}

fn action() -> impl Strategy<Value = Action> {
    let job = 0..3_u8;
    prop_oneof![
        5 => (job.clone(), prop::collection::vec(0..4_u8, 0..4), 0..300_u16)
            .prop_map(|(job, blocks, tail)| Action::Put { job, blocks, tail }),
        3 => job.clone().prop_map(|job| Action::Append { job }),
        1 => job.clone().prop_map(|job| Action::Seal { job }),
        2 => job.prop_map(|job| Action::Forget { job }),
        1 => Just(Action::DropIndex),
    ]
}

#[derive(Default)]
struct Model {
    /// Job and content, as a manifest would have them.
    puts: BTreeSet<(u8, Vec<u8>)>,
    /// Entries and whether sealed.
    journals: BTreeMap<u8, (u64, bool)>,
}

fn content(blocks: &[u8], tail: u16) -> Vec<u8> {
    let mut content: Vec<u8> = blocks.iter().flat_map(|block| noise(u64::from(*block), CHUNK)).collect();
    content.extend(noise(9, tail.into()));
    content
}

fn run(actions: &[Action]) {
    let bench = Bench::new();
    let mut model = Model::default();
    let id = |number: u8| job(&format!("job-{number}"));
    for action in actions {
        match action {
            Action::Put { job, blocks, tail } => {
                let content = content(blocks, *tail);
                bench.put(id(*job).as_str(), "main", &content);
                model.puts.insert((*job, content));
            }
            Action::Append { job } => match model.journals.get_mut(job) {
                None => {
                    Journal::create(&bench.vault, &id(*job), json!({}), "test", NOW).unwrap();
                    model.journals.insert(*job, (1, false));
                }
                Some((entries, false)) => {
                    let mut journal = Journal::open(&bench.vault, &id(*job), "test", NOW).unwrap();
                    assert_eq!(journal.append("note", json!({}), NOW).unwrap().seq, *entries);
                    *entries += 1;
                }
                Some((_, true)) => assert!(Journal::open(&bench.vault, &id(*job), "test", NOW).is_err()),
            },
            Action::Seal { job } => {
                if let Some((entries, sealed @ false)) = model.journals.get_mut(job) {
                    Journal::open(&bench.vault, &id(*job), "test", NOW).unwrap().seal(NOW).unwrap();
                    (*entries, *sealed) = (*entries + 1, true);
                }
            }
            Action::Forget { job } => {
                let before = model.puts.len() + model.journals.len();
                model.puts.retain(|(owner, _)| owner != job);
                model.journals.remove(job);
                let known = before != model.puts.len() + model.journals.len();
                let result = bench.vault.forget(&id(*job), "Ada", "given back", NOW);
                assert_eq!(result.is_ok(), known, "{result:?}");
            }
            Action::DropIndex => drop(fs::remove_file(bench.root().join("index.sqlite"))),
        }
        check(&bench, &model);
    }
    let scrub = bench.scrub();
    assert!(scrub.is_sound() && scrub.leftovers.is_empty() && scrub.unreferenced.is_empty(), "{scrub:?}");
}

fn check(bench: &Bench, model: &Model) {
    let listed: BTreeSet<_> = bench
        .vault
        .list(&Filter::default())
        .unwrap()
        .items
        .into_iter()
        .map(|item| (item.job.unwrap(), item.id))
        .collect();
    let wanted: BTreeSet<_> =
        model.puts.iter().map(|(number, content)| (job(&format!("job-{number}")), Digest::blake3(content))).collect();
    assert_eq!(listed, wanted);
    for (_, content) in &model.puts {
        assert!(bench.vault.read_vec(&Digest::blake3(content)).unwrap() == *content);
    }
    // No chunk is stored twice, and none that nobody has.
    let chunks: BTreeSet<_> = model.puts.iter().flat_map(|(_, content)| content.chunks(CHUNK)).collect();
    let stored: usize =
        bench.files(".pack").iter().map(|path| (fs::metadata(path).unwrap().len() as usize - 16 - 56) / CHUNK).sum();
    let large = chunks.iter().filter(|chunk| chunk.len() == CHUNK).count();
    assert!(stored <= chunks.len() && stored >= large.saturating_sub(1), "{stored} of {large} large chunks");
    let journals = bench.vault.journals().unwrap();
    assert_eq!(journals.len(), model.journals.len());
    for (number, (entries, sealed)) in &model.journals {
        let log = bench.vault.read_journal(&job(&format!("job-{number}"))).unwrap();
        assert_eq!((log.entries.len() as u64, log.sealed, log.torn), (*entries, *sealed, false));
    }
}

#[test]
fn s2_s15_any_sequence_of_puts_and_forgets_gives_what_the_model_has() {
    let seed = std::env::var("FIRMHAND_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(7_u64);
    let config = Config { cases: 24, rng_seed: RngSeed::Fixed(seed), failure_persistence: None, ..Config::default() };
    let result = TestRunner::new(config).run(&prop::collection::vec(action(), 1..12), |actions| {
        run(&actions);
        Ok(())
    });
    if let Err(error) = result {
        panic!("{error}\nagain: FIRMHAND_SEED={seed} cargo test -p vault --test vault any_sequence");
    }
}
