//! The cases of a merge, and its laws over random logs.

use super::*;
use crate::log::log_digest;
use carrylog_format::tree::{Frontier, leaf_hash};
use proptest::prelude::*;

fn leaf(text: char) -> Hash {
    leaf_hash(text.to_string().as_bytes())
}

/// Entries `from..to` of the log that `text` spells.
fn segment(text: &str, from: usize, to: usize) -> Segment {
    let all: Vec<Hash> = text.chars().map(leaf).collect();
    let mut before = Frontier::new();
    all[..from].iter().for_each(|l| before.push(*l));
    Segment {
        before,
        leaves: all[from..to].to_vec(),
    }
}

fn whole(text: &str) -> Segment {
    segment(text, 0, text.chars().count())
}

fn choice(text: &str) -> Choice {
    let mut frontier = Frontier::new();
    text.chars().for_each(|c| frontier.push(leaf(c)));
    Choice {
        size: frontier.size(),
        root: frontier.root(),
    }
}

fn state(segments: Vec<Segment>) -> Merged {
    merge(Known {
        segments,
        choices: &[],
        revoked_from: None,
    })
}

fn runs(merged: &Merged) -> Vec<(EntryStatus, u64, u64)> {
    merged
        .pieces
        .iter()
        .map(|p| (p.status, p.from, p.to))
        .collect()
}

use EntryStatus::{Accepted, Disputed, Held, Revoked};

#[test]
fn what_is_known_already_changes_nothing() {
    let once = state(vec![whole("abcde")]);
    let twice = state(vec![whole("abcde"), segment("abcde", 2, 4), whole("abc")]);
    assert_eq!(once.pieces, twice.pieces);
    assert_eq!(runs(&once), [(Accepted, 0, 5)]);
    assert!(once.is_plain() && twice.is_plain());
}

#[test]
fn an_overlap_that_agrees_adds_what_is_new() {
    let merged = state(vec![segment("abcdefg", 2, 7), whole("abcd")]);
    assert_eq!(runs(&merged), [(Accepted, 0, 7)]);
}

#[test]
fn a_gap_is_held_and_closes_by_itself() {
    let merged = state(vec![whole("abc"), segment("abcdefg", 5, 7)]);
    assert_eq!(runs(&merged), [(Accepted, 0, 3), (Held, 5, 7)]);
    assert_eq!(
        merged.gaps,
        [Gap {
            known_to: 3,
            held_from: 5
        }]
    );
    assert!(merged.forks.is_empty());
    let closed = state(vec![
        whole("abc"),
        segment("abcdefg", 5, 7),
        segment("abcde", 3, 5),
    ]);
    assert_eq!(runs(&closed), [(Accepted, 0, 7)]);
    assert!(closed.gaps.is_empty());
}

#[test]
fn branches_are_disputed_after_their_common_beginning_on_both_sides() {
    let merged = state(vec![whole("abcdef"), whole("abcXYZW")]);
    assert_eq!(
        runs(&merged),
        [(Accepted, 0, 3), (Disputed, 3, 6), (Disputed, 3, 7)]
    );
    assert_eq!(merged.accepted, 3);
    assert_eq!(merged.forks.len(), 1);
    assert!(!merged.forks[0].settled);
}

#[test]
fn a_choice_settles_a_fork_and_the_other_branch_stays_as_evidence() {
    let choices = [choice("abcXYZ")];
    let segments = vec![whole("abcdef"), whole("abcXYZW")];
    let merged = merge(Known {
        segments,
        choices: &choices,
        revoked_from: None,
    });
    assert_eq!(
        runs(&merged),
        [(Accepted, 0, 3), (Disputed, 3, 6), (Accepted, 3, 7)]
    );
    assert_eq!(merged.accepted, 7);
    assert!(merged.forks[0].settled);
}

#[test]
fn a_choice_before_a_second_fork_does_not_settle_the_second() {
    let choices = [choice("abcX")];
    let segments = vec![whole("abcdef"), whole("abcXYZW"), whole("abcXYQ")];
    let merged = merge(Known {
        segments,
        choices: &choices,
        revoked_from: None,
    });
    assert_eq!(merged.accepted, 5);
    let disputed: Vec<_> = runs(&merged)
        .into_iter()
        .filter(|r| r.0 == Disputed)
        .collect();
    assert_eq!(
        disputed,
        [(Disputed, 3, 6), (Disputed, 5, 6), (Disputed, 5, 7)]
    );
}

#[test]
fn the_choice_that_goes_first_wins_over_one_that_contradicts_it() {
    let choices = [choice("abcd"), choice("abcX")];
    let segments = vec![whole("abcdef"), whole("abcXYZW")];
    let merged = merge(Known {
        segments,
        choices: &choices,
        revoked_from: None,
    });
    assert!(merged.accepts_root(6, &choice("abcdef").root));
    assert!(!merged.accepts_root(7, &choice("abcXYZW").root));
}

#[test]
fn a_choice_of_a_branch_that_nobody_delivered_is_reported_and_settles_nothing() {
    let choices = [choice("abQ")];
    let segments = vec![whole("abcd")];
    let merged = merge(Known {
        segments,
        choices: &choices,
        revoked_from: None,
    });
    assert_eq!(merged.accepted, 4);
    assert_eq!(merged.unknown_choices, choices);
}

#[test]
fn entries_from_the_size_of_revocation_do_not_count() {
    for (from, expected) in [
        (0, vec![(Revoked, 0, 4)]),
        (2, vec![(Accepted, 0, 2), (Revoked, 2, 4)]),
        (4, vec![(Accepted, 0, 4)]),
    ] {
        let known = Known {
            segments: vec![whole("abcd")],
            choices: &[],
            revoked_from: Some(from),
        };
        assert_eq!(runs(&merge(known)), expected);
    }
}

#[test]
fn a_fork_made_after_the_revocation_does_not_touch_what_came_before() {
    let segments = vec![whole("abcdef"), whole("abcdXY")];
    let merged = merge(Known {
        segments,
        choices: &[],
        revoked_from: Some(3),
    });
    assert_eq!(merged.accepted, 3);
    assert!(
        runs(&merged)
            .iter()
            .all(|(status, from, _)| *from < 3 || *status == Revoked)
    );
}

#[test]
fn a_later_segment_with_another_past_disputes_what_may_differ() {
    // The frontier of 6 leaves names the first 4: they agree, so the parting lies in 4..6.
    let merged = state(vec![whole("abcdefgh"), segment("abcdXfghij", 6, 10)]);
    assert_eq!(
        runs(&merged),
        [(Accepted, 0, 4), (Disputed, 4, 8), (Disputed, 6, 10)]
    );
    let known = state(vec![
        whole("abcdefgh"),
        segment("abcdXfghij", 6, 10),
        whole("abcdXf"),
    ]);
    assert_eq!(
        runs(&known),
        [(Accepted, 0, 4), (Disputed, 4, 8), (Disputed, 4, 10)]
    );
}

#[test]
fn a_choice_of_a_held_branch_leaves_the_common_beginning_accepted() {
    let choices = [choice("abcdXfghij")];
    let segments = vec![whole("abcdefgh"), segment("abcdXfghij", 6, 10)];
    let merged = merge(Known {
        segments,
        choices: &choices,
        revoked_from: None,
    });
    // The chosen branch has no known parting with anything that is left: it is held for its gap.
    assert_eq!(
        runs(&merged),
        [(Accepted, 0, 4), (Disputed, 4, 8), (Held, 6, 10)]
    );
}

/// A log of one-letter entries that parts from `trunk` after `keep` entries.
#[derive(Debug, Clone)]
struct Material {
    logs: Vec<String>,
    cuts: Vec<(
        prop::sample::Index,
        prop::sample::Index,
        prop::sample::Index,
    )>,
    choice: Option<(prop::sample::Index, prop::sample::Index)>,
    revoked_from: Option<u64>,
}

fn material() -> impl Strategy<Value = Material> {
    let logs = (
        "[a-d]{1,24}",
        prop::collection::vec((0usize..24, "[a-d]{1,12}"), 0..3),
    )
        .prop_map(|(trunk, twigs)| {
            let mut logs = vec![trunk];
            for (keep, tail) in twigs {
                let base = logs.last().cloned().unwrap_or_default();
                logs.push(base.chars().take(keep).collect::<String>() + &tail);
            }
            logs
        });
    let index = any::<prop::sample::Index>;
    (
        logs,
        prop::collection::vec((index(), index(), index()), 1..8),
        prop::option::of((index(), index())),
        prop::option::of(0u64..30),
    )
        .prop_map(|(logs, cuts, choice, revoked_from)| Material {
            logs,
            cuts,
            choice,
            revoked_from,
        })
}

impl Material {
    fn segments(&self) -> Vec<(String, usize, usize)> {
        self.cuts
            .iter()
            .map(|(log, a, b)| {
                let text = log.get(&self.logs);
                let (a, b) = (a.index(text.len()), b.index(text.len()));
                (text.clone(), a.min(b), a.max(b) + 1)
            })
            .collect()
    }

    fn choices(&self) -> Vec<Choice> {
        self.choice
            .iter()
            .map(|(log, size)| {
                let text = log.get(&self.logs);
                choice(&text[..=size.index(text.len())])
            })
            .collect()
    }

    fn merged(&self, segments: &[(String, usize, usize)]) -> Merged {
        merge(Known {
            segments: segments
                .iter()
                .map(|(text, a, b)| segment(text, *a, *b))
                .collect(),
            choices: &self.choices(),
            revoked_from: self.revoked_from,
        })
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_order_any_repetition_and_any_split_give_the_same_state(
        material in material(),
        order in prop::collection::vec(any::<prop::sample::Index>(), 0..24),
        splits in prop::collection::vec(any::<prop::sample::Index>(), 8),
    ) {
        let segments = material.segments();
        let expected = material.merged(&segments);
        let mut parts: Vec<(String, usize, usize)> = Vec::new();
        for ((text, from, to), split) in segments.iter().zip(&splits) {
            let middle = from + split.index(to - from);
            parts.push((text.clone(), *from, *to));
            if middle > *from {
                parts.pop();
                parts.push((text.clone(), *from, middle));
                parts.push((text.clone(), middle, *to));
            }
        }
        for (i, index) in order.iter().enumerate() {
            let other = index.index(parts.len());
            let place = i % parts.len();
            parts.swap(place, other);
            if i % 3 == 0 {
                let again = parts[other].clone();
                parts.push(again);
            }
        }
        let found = material.merged(&parts);
        prop_assert_eq!(log_digest(&found), log_digest(&expected));
        prop_assert_eq!(&found.gaps, &expected.gaps);
        prop_assert_eq!(&found.forks, &expected.forks);
        prop_assert_eq!(found.accepted, expected.accepted);
    }

    #[test]
    fn every_leaf_of_every_segment_has_a_status_and_no_other_has(material in material()) {
        let segments = material.segments();
        let merged = material.merged(&segments);
        let mut given: Vec<(u64, Hash)> = segments
            .iter()
            .flat_map(|(text, a, b)| {
                let s = segment(text, *a, *b);
                (s.from()..).zip(s.leaves).collect::<Vec<_>>()
            })
            .collect();
        given.sort();
        given.dedup();
        let mut found: Vec<(u64, Hash)> = merged
            .pieces
            .iter()
            .flat_map(|p| (p.from..).zip(merged.leaves(p).to_vec()).collect::<Vec<_>>())
            .collect();
        found.sort();
        found.dedup();
        prop_assert_eq!(found, given);
    }

    #[test]
    fn accepted_entries_are_one_line_from_the_first(material in material()) {
        let merged = material.merged(&material.segments());
        let mut at = 0;
        for piece in merged.pieces.iter().filter(|p| p.status == Accepted) {
            prop_assert_eq!(piece.from, at);
            at = piece.to;
        }
        prop_assert_eq!(at, merged.accepted);
    }

    /// Judged apart from the forest: an entry is accepted only if no segment spells another leaf at
    /// an index up to it in a log that also reaches that far from the beginning.
    #[test]
    fn without_choices_nothing_accepted_is_contradicted_by_a_whole_log(material in material()) {
        let segments = material.segments();
        let merged = merge(Known {
            segments: segments.iter().map(|(t, a, b)| segment(t, *a, *b)).collect(),
            choices: &[],
            revoked_from: None,
        });
        let accepted: Vec<Hash> = merged
            .pieces
            .iter()
            .filter(|p| p.status == Accepted)
            .flat_map(|p| merged.leaves(p).to_vec())
            .collect();
        for (text, _, to) in segments.iter().filter(|(_, from, _)| *from == 0) {
            for (ours, theirs) in accepted.iter().zip(text.chars().take(*to).map(leaf)) {
                prop_assert_eq!(*ours, theirs);
            }
        }
    }
}
