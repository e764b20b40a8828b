//! The state of charge after a storage charge against the sheet's level.

use super::{Case, Findings};
use carrylog_format::record::{Purpose, Verdict};

pub(super) fn check(case: &Case<'_>, findings: &mut Findings) {
    if case.test.purpose != Purpose::StorageCharge {
        return;
    }
    let Some(rule) = &case.sheet.storage else {
        findings.conclude(Verdict::NotAssessable, "The sheet gives no storage charge.");
        return;
    };
    let Some(reached) = case.test.declared.soc_ppm else {
        findings.conclude(
            Verdict::NotAssessable,
            "The state of charge reached was not recorded.",
        );
        return;
    };
    let off = (reached.raw() - rule.soc_ppm.raw()).abs();
    let within = off <= rule.tolerance_ppm.raw();
    let sentence = format!(
        "State of charge {reached}; the sheet wants {} ± {} for storage{}.",
        rule.soc_ppm,
        rule.tolerance_ppm,
        if within {
            format!(", good for {} days", rule.valid_days)
        } else {
            String::new()
        }
    );
    let verdict = if within {
        Verdict::WithinLimits
    } else {
        Verdict::OutsideLimits
    };
    findings.conclude(verdict, sentence);
}
