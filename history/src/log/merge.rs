//! Where a merge is decided: the status of every entry of one log, from the set of what is known.
//!
//! A pure function of segments, choices and revocation. It never sees the order of arrival, so any
//! order, any repetition and any split of the same material gives the same result.
//!
//! What holds: entries that no branch contradicts count from the empty log up to the first gap.
//! Where two branches part, entries after the common beginning are disputed on every branch, until an
//! authority's statement chooses one.

use super::branches::{Forest, Segment};
use super::status::EntryStatus;
use carrylog_format::tree::Hash;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// An authority's choice: at `size` leaves, the branch with `root` is the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Choice {
    /// A size at which the branches differ.
    pub size: u64,
    /// The root of the chosen branch at that size.
    pub root: Hash,
}

/// What is known of one log.
#[derive(Debug, Clone)]
pub struct Known<'a> {
    /// Verified segments, in any order.
    pub segments: Vec<Segment>,
    /// Choices, the one that goes before the others first.
    pub choices: &'a [Choice],
    /// First index that no longer counts.
    pub revoked_from: Option<u64>,
}

/// A run of leaves of one status on one branch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// The status.
    pub status: EntryStatus,
    /// First index.
    pub from: u64,
    /// Index after the last.
    pub to: u64,
    /// Root of the log at `to` along this branch: it names every leaf before it.
    pub root: Hash,
    branch: usize,
}

/// Entries that are missing before others that are held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Gap {
    /// Size up to which the log is known.
    pub known_to: u64,
    /// Index of the first entry that is held.
    pub held_from: u64,
}

/// Two branches of one log that contradict each other.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Fork {
    /// The branches agree on this many entries at least.
    pub same_up_to: u64,
    /// By this size they differ.
    pub differ_by: u64,
    /// Size and root of each branch at its end.
    pub tips: [(u64, Hash); 2],
    /// An authority chose between them.
    pub settled: bool,
}

/// The state of one log.
#[derive(Debug, Clone)]
pub struct Merged {
    /// Runs of one status, in canonical order: equal sets of material give equal lists.
    pub pieces: Vec<Piece>,
    /// Entries 0 to here count.
    pub accepted: u64,
    /// What is missing.
    pub gaps: Vec<Gap>,
    /// What contradicts itself.
    pub forks: Vec<Fork>,
    /// Choices that name a branch nobody delivered.
    pub unknown_choices: Vec<Choice>,
    forest: Forest,
}

impl Merged {
    /// Leaf hashes of a piece, in order.
    pub fn leaves(&self, piece: &Piece) -> &[Hash] {
        let branch = &self.forest.branches()[piece.branch];
        let at = |size: u64| (size - branch.start.size()) as usize;
        branch
            .leaves
            .get(at(piece.from)..at(piece.to))
            .unwrap_or_default()
    }

    /// The log is one line from its beginning, nothing held, disputed or revoked.
    pub fn is_plain(&self) -> bool {
        self.forest.branches().len() == 1
            && self
                .pieces
                .iter()
                .all(|p| p.status == EntryStatus::Accepted)
    }

    /// The frontier after the last leaf of the first branch: of the whole log if it is plain.
    pub fn end(&self) -> &carrylog_format::tree::Frontier {
        &self.forest.branches()[0].end
    }

    /// Whether the log had this root at this size, within what is accepted.
    pub fn accepts_root(&self, size: u64, root: &Hash) -> bool {
        self.accepted_roots(size).any(|found| found == *root)
    }

    /// The root of the log at this size, within what is accepted.
    pub fn root_at_accepted(&self, size: u64) -> Option<Hash> {
        self.accepted_roots(size).next()
    }

    fn accepted_roots(&self, size: u64) -> impl Iterator<Item = Hash> {
        self.pieces
            .iter()
            .filter(move |p| {
                size <= self.accepted
                    && p.status == EntryStatus::Accepted
                    && p.from < size
                    && size <= p.to
            })
            .filter_map(move |p| self.forest.root_at(p.branch, size))
    }
}

/// Derives the state of one log.
pub fn merge(known: Known<'_>) -> Merged {
    let looked_at = known
        .choices
        .iter()
        .map(|c| c.size)
        .chain(known.revoked_from);
    let forest = Forest::grow(known.segments, looked_at);
    let lines: Vec<usize> = (0..forest.branches().len())
        .filter(|b| !forest.branches()[*b].leaves.is_empty())
        .collect();
    let rival = Rivals::judge(&forest, &lines, known.choices);
    let mut pieces: Vec<Piece> = lines
        .iter()
        .flat_map(|line| rival.pieces(*line, known.revoked_from))
        .collect();
    pieces.sort_by_key(|p| (p.from, p.to, p.status, p.root));
    let accepted = pieces
        .iter()
        .filter(|p| p.status == EntryStatus::Accepted)
        .map(|p| p.to)
        .max()
        .unwrap_or(0);
    let gaps = rival.gaps(accepted);
    let (forks, unknown_choices) = (rival.forks(), rival.unknown_choices);
    Merged {
        pieces,
        accepted,
        gaps,
        forks,
        unknown_choices,
        forest,
    }
}

/// The branches of one log beside each other: which were chosen against, and from where they part.
struct Rivals<'a> {
    forest: &'a Forest,
    lines: &'a [usize],
    /// Branches that a choice excludes.
    excluded: BTreeSet<usize>,
    /// Size from which a branch that is not excluded is in dispute.
    disputed_from: Vec<(usize, u64)>,
    unknown_choices: Vec<Choice>,
}

impl<'a> Rivals<'a> {
    fn judge(forest: &'a Forest, lines: &'a [usize], choices: &[Choice]) -> Self {
        let mut rivals = Self {
            forest,
            lines,
            excluded: BTreeSet::new(),
            disputed_from: Vec::new(),
            unknown_choices: Vec::new(),
        };
        let mut settled: Vec<(usize, u64)> = Vec::new();
        for choice in choices {
            settled.extend(rivals.choose(choice));
        }
        rivals.disputed_from = rivals.disputes(&settled);
        rivals
    }

    fn alive(&self) -> impl Iterator<Item = usize> + '_ {
        self.lines
            .iter()
            .copied()
            .filter(|l| !self.excluded.contains(l))
    }

    /// Excludes what contradicts a choice; returns the branches that it names, with its size.
    fn choose(&mut self, choice: &Choice) -> Vec<(usize, u64)> {
        let named = |line: &usize| self.forest.root_at(*line, choice.size) == Some(choice.root);
        let chosen: Vec<usize> = self.alive().filter(named).collect();
        if chosen.is_empty() && !self.lines.iter().any(named) {
            self.unknown_choices.push(*choice);
        }
        let against: Vec<usize> = self
            .alive()
            .filter(|line| {
                chosen.iter().any(|c| {
                    c != line
                        && self
                            .forest
                            .parting(*c, *line)
                            .is_some_and(|p| p.differ_by <= choice.size)
                })
            })
            .collect();
        self.excluded.extend(against);
        chosen.into_iter().map(|line| (line, choice.size)).collect()
    }

    fn disputes(&self, settled: &[(usize, u64)]) -> Vec<(usize, u64)> {
        let settled_to = |line: usize| {
            settled
                .iter()
                .filter(|(l, _)| *l == line)
                .map(|(_, size)| *size)
                .max()
                .unwrap_or(0)
        };
        let alive: Vec<usize> = self.alive().collect();
        let mut found = Vec::new();
        for (position, x) in alive.iter().enumerate() {
            for y in alive.iter().skip(position + 1) {
                if let Some(parting) = self.forest.parting(*x, *y) {
                    // A choice vouches for everything before its size.
                    let from = parting.same_up_to.max(settled_to(*x)).max(settled_to(*y));
                    found.extend([(*x, from), (*y, from)]);
                }
            }
        }
        found
    }

    fn disputed_from(&self, line: usize) -> u64 {
        self.disputed_from
            .iter()
            .filter(|(l, _)| *l == line)
            .map(|(_, from)| *from)
            .min()
            .unwrap_or(u64::MAX)
    }

    /// Size from which the step at `index` of `line` and its successors are in dispute.
    fn bound(&self, line: usize, index: u64) -> u64 {
        let through = self.forest.through(line, index);
        let alive = through.iter().filter(|l| !self.excluded.contains(l));
        if let Some(bound) = alive.map(|l| self.disputed_from(*l)).min() {
            return bound;
        }
        // Chosen against: what it shares with a branch that was not is not in dispute.
        let shared = |dead: usize| {
            self.alive().filter_map(move |line| {
                let parting = self.forest.parting(dead, line)?;
                Some(parting.same_up_to.min(self.disputed_from(line)))
            })
        };
        through
            .iter()
            .flat_map(|dead| shared(*dead))
            .max()
            .unwrap_or(0)
    }

    fn pieces(&self, line: usize, revoked_from: Option<u64>) -> Vec<Piece> {
        let branch = &self.forest.branches()[line];
        let base = if self.forest.tree_of(line) == 0 {
            EntryStatus::Accepted
        } else {
            EntryStatus::Held
        };
        let mut cuts = self.forest.partings_of(line);
        cuts.extend([branch.start.size(), branch.end.size()]);
        let cuts: Vec<u64> = cuts.into_iter().collect();
        let mut pieces = Vec::new();
        for pair in cuts.windows(2) {
            let &[from, to] = pair else { continue };
            let bound = self.bound(line, from);
            let revoked = revoked_from.unwrap_or(u64::MAX);
            let mut inner = [from, bound.clamp(from, to), revoked.clamp(from, to), to];
            inner.sort_unstable();
            for range in inner.windows(2) {
                let &[from, to] = range else { continue };
                let Some(root) = self.forest.root_at(line, to).filter(|_| from < to) else {
                    continue;
                };
                let status = if from >= revoked {
                    EntryStatus::Revoked
                } else if from >= bound {
                    EntryStatus::Disputed
                } else {
                    base
                };
                pieces.push(Piece {
                    status,
                    from,
                    to,
                    root,
                    branch: line,
                });
            }
        }
        pieces
    }

    fn gaps(&self, accepted: u64) -> Vec<Gap> {
        let begins = |line: usize| {
            self.forest.branches()[self.forest.tree_of(line)]
                .start
                .size()
        };
        let gaps: BTreeSet<Gap> = self
            .alive()
            .filter(|l| self.forest.tree_of(*l) != 0 && self.disputed_from(*l) > begins(*l))
            .map(|l| Gap {
                known_to: accepted,
                held_from: begins(l),
            })
            .collect();
        gaps.into_iter().collect()
    }

    /// One fork for each branch beyond the first: against the branch that it shares most with.
    fn forks(&self) -> Vec<Fork> {
        let tip = |line: usize| {
            let end = &self.forest.branches()[line].end;
            (end.size(), end.root())
        };
        let mut forks = BTreeSet::new();
        for x in self.lines {
            let nearest = self
                .lines
                .iter()
                .filter(|y| *y != x)
                .filter_map(|y| Some((self.forest.parting(*x, *y)?, *y)))
                .max_by_key(|(p, y)| (p.same_up_to, tip(*y)));
            if let Some((parting, y)) = nearest {
                let mut tips = [tip(*x), tip(y)];
                tips.sort();
                forks.insert(Fork {
                    same_up_to: parting.same_up_to,
                    differ_by: parting.differ_by,
                    tips,
                    settled: self.excluded.contains(x) || self.excluded.contains(&y),
                });
            }
        }
        forks.into_iter().collect()
    }
}

#[cfg(test)]
#[path = "merge_tests.rs"]
mod tests;
