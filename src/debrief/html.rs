//! A debrief as one page: HTML with its drawings inside, which opens anywhere and needs no network.
//! Whatever comes from a log is escaped by the template.

use super::finding::{plain, shown, span};
use super::svg::{class, timeline};
use super::{Debrief, Dose, EventLine, Figure, Finding, Line, Outcome, Place, Score, Spell, Stamp, Standing, purpose};
use crate::record::By;
use crate::terminal;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("page.css");

/// The page.
pub fn page(debrief: &Debrief) -> String {
    let title = format!("Debrief: {}", debrief.title);
    let body = html! {
        (DOCTYPE)
        html lang=(debrief.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width";
                // No script, no other file: also where a log holds what would be one.
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (head(debrief))
                (tiles(debrief))
                h2 id="timeline" { "Timeline" }
                (timeline(debrief))
                (key())
                (talk(debrief))
                (figures(debrief))
                (lists(debrief))
                (checkpoints(debrief))
                (trust(debrief))
                (report(debrief))
                (events(debrief))
                (definitions(debrief))
                footer {
                    p { (debrief.caution) }
                    p {
                        "Log " span class="code" { (debrief.log.id) } " · " (debrief.log.records) " records · pack "
                        (debrief.log.pack) " · " (debrief.log.program) " · " (debrief.log.seal_line())
                    }
                }
            }
        }
    };
    // A mark of direction would turn a line around here, too.
    terminal::lines(body.into_string())
}

fn head(debrief: &Debrief) -> Markup {
    html! {
        header {
            div {
                h1 { "Debrief: " (debrief.title) }
                p {
                    @match &debrief.birth {
                        Some(birth) => {
                            "Birth " (birth.wall.as_deref().map_or("not known on the wall clock".into(), wall))
                            " by the recorder's clock. All times are minutes and seconds after birth."
                        }
                        None => {
                            "Record started " (wall(&debrief.log.started))
                            ". Times in brackets are minutes and seconds after the start of the log."
                        }
                    }
                }
            }
            div class="purpose" { (purpose(debrief.log.purpose)) }
        }
        p class="caution" { (debrief.caution) }
        @for notice in &debrief.notices { p class="notice" { (notice) } }
        nav {
            a href="#timeline" { "Timeline" } a href="#talk" { "Conversation" } a href="#figures" { "Figures" }
            a href="#checkpoints" { "Checkpoints" } a href="#trust" { "Doubts and corrections" }
            a href="#report" { "Report" } a href="#events" { "All events" } a href="#definitions" { "Definitions" }
        }
    }
}

/// `2026-01-01 09:01:35+00:00` without the fraction.
fn wall(at: &str) -> String {
    let (date, time) = at.split_once('T').unwrap_or((at, ""));
    format!("{date} {}", time.get(..8).unwrap_or(time))
}

fn tiles(debrief: &Debrief) -> Markup {
    html! {
        div class="tiles" {
            @for figure in debrief.figures.iter().filter(|figure| figure.headline) {
                div class={ "tile " (state(&figure.found.finding)) } title=(figure.found.finding.why().unwrap_or_default()) {
                    small { (figure.title) }
                    b { (figure.text) }
                }
            }
        }
    }
}

fn state(finding: &Finding) -> &'static str {
    match finding {
        Finding::Known { .. } => "known",
        Finding::Doubtful { .. } => "doubtful",
        Finding::NotKnown { .. } => "unknown",
    }
}

fn key() -> Markup {
    let sign = |path: &str, of: &str| {
        html! {
            svg class="strip" style="display:inline;width:16px;margin:0" viewBox="-8 -8 16 16" aria-hidden="true" {
                g class={ "checkpoint " (of) } { path d=(path) {} }
            }
        }
    };
    html! {
        p class="key" {
            span { (sign("M-5,0 L-1.5,4 L5,-4.5", class(Outcome::InTime))) " checkpoint called out in time" }
            span { (sign("M-4,-5 L5,0 L-4,5 Z", class(Outcome::Late))) " later, so long after it was due" }
            span { (sign("M-4.5,-4.5 L4.5,4.5 M-4.5,4.5 L4.5,-4.5", class(Outcome::Missed))) " nothing called out" }
            span { "dashed outline, ?: doubtful" }
            span { "triangle up / down: over / under that rate" }
            span { "dotted band: target" }
        }
    }
}

fn talk(debrief: &Debrief) -> Markup {
    html! {
        h2 id="talk" { "For the conversation" }
        p class="dim" { "What the record holds, then questions that it cannot answer. The record is what was called out, not all that was done." }
        div class="talk" {
            @if !debrief.facts.is_empty() {
                h3 { "What the record says" }
                ul { @for fact in &debrief.facts { li { (fact) } } }
            }
            h3 { "Open questions" }
            ol {
                @for question in &debrief.questions { li { (question.text) } }
                li { "What went well, and what made it go well?" }
                li { "What would help next time: people, room, equipment, words?" }
            }
        }
    }
}

fn figures(debrief: &Debrief) -> Markup {
    html! {
        h2 id="figures" { "Figures" }
        p class="dim" { "Only what was recorded without doubt counts, after all corrections. What the log leaves open is marked ? or not known, with the reason. How each is computed stands under " a href="#definitions" { "Definitions" } "." }
        table {
            thead { tr { th { "figure" } th class="n" { "value" } th { "held against" } th { "records" } th { "why it is doubtful or not known" } } }
            @for (group, members) in groups(debrief) {
                tbody {
                    tr { td colspan="5" class="big" { (group) } }
                    @for figure in members {
                        tr id={ "figure-" (figure.id) } {
                            td { (figure.title) }
                            td class={ "n " @if figure.found.finding.is_known() { "big" } @else { "missing" } } { (figure.text) }
                            td class="dim" { @if let Some(bound) = &figure.bound { (bound.text) " (" (source(&bound.source)) ")" } }
                            td class="dim" { (records(&figure.found.records)) }
                            td class="why" { (figure.found.finding.why().unwrap_or_default()) }
                        }
                    }
                }
            }
        }
    }
}

fn groups(debrief: &Debrief) -> Vec<(&str, Vec<&Figure>)> {
    let mut out: Vec<(&str, Vec<&Figure>)> = Vec::new();
    for figure in &debrief.figures {
        match out.iter_mut().find(|(group, _)| *group == figure.group) {
            Some((_, members)) => members.push(figure),
            None => out.push((&figure.group, vec![figure])),
        }
    }
    out
}

/// Links to records; the first few of many.
fn records(seqs: &[u64]) -> Markup {
    const MOST: usize = 6;
    html! {
        @for seq in seqs.iter().take(MOST) { (record(*seq)) " " }
        @if seqs.len() > MOST { "… (" (seqs.len()) ")" }
    }
}

fn record(seq: u64) -> Markup {
    html! { a href={ "#record-" (seq) } { (seq) } }
}

/// A link to where a source is written out.
fn source(key: &str) -> Markup {
    html! { a href={ "#source-" (key) } { (key) } }
}

fn lines(title: &str, lines: &[Line], numbered: bool) -> Markup {
    html! {
        section {
            h3 { (title) }
            @if lines.is_empty() { p class="missing" { "None recorded." } }
            @else {
                table {
                    @for (n, line) in lines.iter().enumerate() {
                        tr {
                            @if numbered { td class="n" { (n + 1) "." } }
                            td class="t" { (line.at.clock()) }
                            td { (line.what) }
                            td class="n dim" { (record(line.record)) }
                        }
                    }
                }
            }
        }
    }
}

fn lists(debrief: &Debrief) -> Markup {
    html! {
        h2 id="lists" { "Steps, drugs, scores, people" }
        div class="columns" {
            (lines("Corrective steps, in their order", &debrief.steps, true))
            (doses(&debrief.doses))
            (scores(&debrief.apgar))
            (lines("People, as called out", &debrief.people, false))
        }
    }
}

fn doses(doses: &[Dose]) -> Markup {
    html! {
        section {
            h3 { "Drugs and volume" }
            @if doses.is_empty() { p class="missing" { "None recorded." } }
            @else {
                table {
                    thead { tr { th { "at" } th { "given" } th class="n" { "for each kg" } th { "beside" } } }
                    @for dose in doses {
                        tr {
                            td class="t" { (dose.at.clock()) }
                            td { (dose.what) " " (record(dose.record)) }
                            td class="n" {
                                @match &dose.per_kg {
                                    Finding::NotKnown { why } => span class="missing" { "not known: " (why) },
                                    known => { (known.value().map(plain).unwrap_or_default()) " " (dose.unit) },
                                }
                            }
                            td class="dim" {
                                @if let Some(range) = &dose.range {
                                    b { (match range.place { Place::Below => "under", Place::Within => "within", Place::Above => "over" }) " " }
                                }
                                @match &dose.usual {
                                    Some(usual) => { (usual) " (" (source(dose.source.as_deref().unwrap_or_default())) ")" },
                                    None => "no range for this route and unit",
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn scores(scores: &[Score]) -> Markup {
    html! {
        section {
            h3 { "Apgar scores" }
            @if scores.is_empty() { p class="missing" { "None recorded." } }
            @else {
                table {
                    @for score in scores {
                        tr {
                            td class="t" { (score.at.as_ref().map(Stamp::clock).unwrap_or_default()) }
                            td { (score.title) @if score.value.is_some() && score.minute.is_none() { span class="dim" { " (its minute was not said)" } } }
                            td class="dim" {
                                (match score.outcome {
                                    Some(Outcome::InTime) => "in time".into(),
                                    Some(Outcome::Late) => format!("{} after it was due", span(score.late_ms.unwrap_or(0))),
                                    Some(Outcome::Missed) => "nothing called out for it".into(),
                                    Some(Outcome::Open) => "due when the log ended".into(),
                                    Some(Outcome::Cancelled) | None => String::new(),
                                })
                            }
                            td class="n" { @if let Some(seq) = score.record { (record(seq)) } }
                        }
                    }
                }
            }
        }
    }
}

fn checkpoints(debrief: &Debrief) -> Markup {
    html! {
        h2 id="checkpoints" { "Checkpoints" }
        p class="dim" { "Computed anew over the corrected events, by the pack's rules. A checkpoint is a question; that nothing was called out for it does not say that nothing was done." }
        table {
            thead { tr { th { "due" } th { "checkpoint" } th { "what became of it" } th class="n" { "after it was due" } th { "record" } th { "source" } } }
            @for checkpoint in &debrief.checkpoints {
                tr {
                    td class="t" { (checkpoint.due.as_ref().map(Stamp::clock).unwrap_or_default()) }
                    td { (checkpoint.title) }
                    td {
                        (match checkpoint.outcome {
                            Outcome::InTime => format!("✓ in time, {}", checkpoint.at.clock()),
                            Outcome::Late => format!("▸ {}", checkpoint.at.clock()),
                            Outcome::Missed => "✕ nothing called out".into(),
                            Outcome::Cancelled => format!("– no longer mattered at {}", checkpoint.at.clock()),
                            Outcome::Open => "□ due when the log ended".into(),
                        })
                    }
                    td class="n" { @if let Some(late) = checkpoint.late_ms { (span(late)) } }
                    td class="n" { @if let Some(seq) = checkpoint.of { (record(seq)) } }
                    td class="dim" { (source(&checkpoint.source)) }
                }
            }
        }
    }
}

fn trust(debrief: &Debrief) -> Markup {
    let spells = |title: &str, spells: &[Spell]| {
        html! {
            section {
                h3 { (title) }
                @if spells.is_empty() { p class="missing" { "None." } }
                @else {
                    table {
                        @for spell in spells {
                            tr {
                                td class="t" { (spell.from.clock()) " to " (spell.to.clock()) }
                                td class="n" { (span(spell.ms)) }
                                td { (spell.why.as_deref().unwrap_or_default()) }
                            }
                        }
                    }
                }
            }
        }
    };
    html! {
        h2 id="trust" { "Doubts, corrections, silence" }
        div class="columns" {
            section {
                h3 { "Doubts that nobody settled: not counted in any figure" }
                @if debrief.doubts.is_empty() { p class="missing" { "None." } }
                @else {
                    table {
                        @for doubt in &debrief.doubts {
                            tr { td class="t" { (doubt.at.clock()) } td { (doubt.what) } td { (doubt.question) } td class="n" { (record(doubt.record)) } }
                        }
                    }
                }
            }
            section {
                h3 { "Corrections" }
                @if debrief.corrections.is_empty() { p class="missing" { "None." } }
                @else {
                    table {
                        @for correction in &debrief.corrections {
                            tr { td class="t" { (correction.at.clock()) } td { (correction.what) } td class="n dim" { (correction.record) } }
                        }
                    }
                }
            }
            (spells("Silent spells", &debrief.silences))
            (spells("When nothing could be heard", &debrief.deaf))
        }
    }
}

fn report(debrief: &Debrief) -> Markup {
    html! {
        h2 id="report" { "Report" }
        p class="dim" { "In the order of the published domains (" (debrief.report.first().map(|domain| named(debrief, &domain.source)).unwrap_or_default()) "). “Not recorded” marks a gap in the log; “outside the log” is for somebody to fill in." }
        table class="narrow" {
            @for domain in &debrief.report {
                tbody {
                    tr { td colspan="2" class="big" { (domain.title) } }
                    @for item in &domain.items {
                        tr {
                            td { (item.title) }
                            td {
                                @match &item.text {
                                    Some(text) => (text),
                                    None if item.outside => span class="missing" { "outside the log: ____________" },
                                    None => span class="missing" { "not recorded" },
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn events(debrief: &Debrief) -> Markup {
    html! {
        h2 id="events" { "All events" }
        table {
            thead { tr { th class="n" { "record" } th { "at" } th { "event" } th { "words" } th { "by" } th class="n" { "sure" } th { "standing" } } }
            @for event in &debrief.events { (self::event(event)) }
        }
    }
}

fn event(event: &EventLine) -> Markup {
    let (class, standing) = match event.standing {
        Standing::Accepted => ("", ""),
        Standing::Corrected => ("", "corrected"),
        Standing::Doubtful => ("", "? doubtful"),
        Standing::Withdrawn => ("withdrawn", "taken back"),
    };
    let by = match event.by {
        By::Voice => "voice",
        By::Keypad => "keypad",
        By::Board => "board",
        By::Program => "program",
    };
    html! {
        tr id={ "record-" (event.record) } class=(class) {
            td class="n" { (event.record) }
            td class="t" { (event.at.clock()) }
            td { (event.what) }
            td { @if let Some(words) = &event.words { "“" (words) "”" } }
            td { (by) }
            td class="n" { @if let Some(confidence) = event.confidence { (plain((confidence * 100.0).round())) " %" } }
            td class="how" { (standing) }
        }
    }
}

fn named<'d>(debrief: &'d Debrief, key: &str) -> &'d str {
    debrief.sources.get(key).map_or("", String::as_str)
}

fn definitions(debrief: &Debrief) -> Markup {
    let mut used: Vec<&str> = debrief.figures.iter().map(|figure| figure.source.as_str()).collect();
    used.extend(debrief.figures.iter().filter_map(|figure| Some(figure.bound.as_ref()?.source.as_str())));
    used.extend(debrief.checkpoints.iter().map(|checkpoint| checkpoint.source.as_str()));
    used.extend(debrief.doses.iter().filter_map(|dose| dose.source.as_deref()));
    used.extend(debrief.report.iter().map(|domain| domain.source.as_str()));
    used.sort_unstable();
    used.dedup();
    html! {
        h2 id="definitions" { "Definitions" }
        p class="dim" {
            "t is a record's moment on one monotonic clock. The same list computes the figures, this page and the JSON. "
            "Names such as chest_moves are the pack's events, groups and timers. Bounds of its own: pause " (span(debrief.bounds.pause_ms))
            ", silence " (span(debrief.bounds.silence_ms)) ", answer " (span(debrief.bounds.answer_ms)) "."
        }
        table {
            thead { tr { th { "figure" } th { "formula" } th { "unit" } th { "source" } } }
            @for figure in &debrief.figures {
                tr {
                    td { (figure.title) }
                    td { (figure.formula) }
                    td { (shown(&figure.unit)) }
                    td class="dim" { (source(&figure.source)) }
                }
            }
        }
        h3 { "Sources" }
        table {
            @for key in used {
                tr id={ "source-" (key) } { td { (key) } td { (named(debrief, key)) } }
            }
        }
    }
}
