//! What belongs to the station as a whole: the page, the KISS server, the journal, alarms and
//! the region.

use dunlin_station::PortId;
use toml::Spanned;
use toml::de::DeValue;

use crate::fault::Faults;
use crate::nearest::nearest;
use crate::quantity::shorten;
use crate::rule::{Words, text_of, wrong_type};
use crate::section::Section;
use crate::setting::{PlanRules, Rule, Wrong};
use crate::settings;

/// How the page is served.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PagePlan {
    /// IP address.
    pub address: String,
    /// TCP port; 0 = any free one.
    pub port: u16,
    /// Hash of the operator's password, as a PHC string.
    pub password_hash: Option<String>,
    /// Who has no password may look.
    pub guest: bool,
    /// Files with certificate chain and private key.
    pub tls: Option<(String, String)>,
}

/// How our ports are offered to other programs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KissServerPlan {
    /// It is served at all.
    pub enabled: bool,
    /// IP address.
    pub address: String,
    /// TCP port.
    pub port: u16,
    /// Names of the ports offered, in order; empty = all.
    pub ports: Vec<String>,
}

/// What the journal may take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JournalPlan {
    /// Ceiling on the disk, millions of octets.
    pub most_mb: f64,
    /// Days after which entries go.
    pub keep_days: f64,
    /// Days after which the text of talks and frames goes; `None` = it goes with the entries.
    pub text_days: Option<f64>,
}

/// What the plan says besides the station and its ports.
#[derive(Clone, Debug, PartialEq)]
pub struct WholePlan {
    /// `[page]`.
    pub page: PagePlan,
    /// `[kiss_server]`.
    pub kiss_server: KissServerPlan,
    /// `[journal]`.
    pub journal: JournalPlan,
    /// `[alarm]`: program and arguments; empty = none.
    pub alarm_command: Vec<String>,
    /// `[region]`: name of a built-in region or path of a file.
    pub region: String,
}

/// Reads the hash of a password.
#[derive(Clone, Copy, Debug)]
pub struct PasswordHash;

/// Reads a program with its arguments.
#[derive(Clone, Copy, Debug)]
pub struct Command {
    /// Longest list.
    pub most: usize,
}

/// Reads a list of names.
#[derive(Clone, Copy, Debug)]
pub struct Names {
    /// Longest list.
    pub most: usize,
}

impl Rule for PasswordHash {
    type Value = String;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<String, Vec<Wrong>> {
        let text = text_of(value, "the hash in quotes")?;
        // $argon2id$v=19$m=19456,t=2,p=1$salt$hash (PHC string format).
        let parts: Vec<&str> = text.split('$').collect();
        let plain = |c: char| c.is_ascii_alphanumeric() || "+/=,.-_".contains(c);
        let whole = parts.len() == 6 && parts[0].is_empty() && parts[1] == "argon2id";
        let filled = parts.iter().skip(1).all(|part| !part.is_empty());
        if whole && filled && text.len() <= 400 && text.split('$').all(|p| p.chars().all(plain)) {
            return Ok(text.to_owned());
        }
        // The text may be the password itself, so it is not repeated here.
        Err(Wrong::whole(
            "this is not the hash of a password; a password itself must not stand in a plan",
        ))
    }

    fn allowed(&self, _: &PlanRules) -> String {
        "what `dunlin password` prints; it begins with $argon2id$".to_owned()
    }
}

/// The texts of a list, each by a rule, at most `most`.
fn texts(
    value: &Spanned<DeValue<'_>>,
    rules: &PlanRules,
    most: usize,
    rule: Words,
) -> Result<Vec<String>, Vec<Wrong>> {
    let DeValue::Array(items) = value.get_ref() else {
        return wrong_type(value.get_ref(), "a list of texts in brackets");
    };
    if items.len() > most {
        return Err(Wrong::whole(format!("this list has {} items", items.len())));
    }
    let mut texts = Vec::new();
    for item in items {
        let at = Some(item.span());
        let wrong = |wrong: Wrong| Wrong {
            at: at.clone(),
            ..wrong
        };
        let text = rule.read(item, rules);
        texts.push(text.map_err(|wrongs| wrongs.into_iter().map(wrong).collect::<Vec<_>>())?);
    }
    Ok(texts)
}

const TEXT: Words = Words {
    fewest: 1,
    most: 400,
    lines: false,
};

impl Rule for Command {
    type Value = Vec<String>;

    fn read(
        &self,
        value: &Spanned<DeValue<'_>>,
        rules: &PlanRules,
    ) -> Result<Self::Value, Vec<Wrong>> {
        if let DeValue::String(line) = value.get_ref() {
            let what = format!(
                "'{}' is one text; write program and arguments as a list",
                shorten(line)
            );
            return Err(Wrong::whole(what));
        }
        texts(value, rules, self.most, TEXT)
    }

    fn allowed(&self, _: &PlanRules) -> String {
        format!(
            "a list of at most {} texts, such as [\"/usr/bin/logger\", \"-t\", \"dunlin\"]",
            self.most
        )
    }
}

impl Rule for Names {
    type Value = Vec<String>;

    fn read(
        &self,
        value: &Spanned<DeValue<'_>>,
        rules: &PlanRules,
    ) -> Result<Self::Value, Vec<Wrong>> {
        texts(value, rules, self.most, TEXT)
    }

    fn allowed(&self, _: &PlanRules) -> String {
        format!(
            "a list of at most {} names of ports, such as [\"VHF\"]",
            self.most
        )
    }
}

impl WholePlan {
    /// Reads the tables; `ports` are the names of the ports. All are taken before any can be
    /// missing, so that each wrong key is told.
    pub(crate) fn read(
        section: &mut Section<'_>,
        ports: &[String],
        faults: &mut Faults<'_>,
    ) -> Option<WholePlan> {
        let page = page(section.table_or_empty("page", "[page]", faults), faults);
        let kiss = section.table_or_empty("kiss_server", "[kiss_server]", faults);
        let kiss_server = kiss_server(kiss, ports, faults);
        let mut journal = section.table_or_empty("journal", "[journal]", faults);
        let most_mb = journal.take(&settings::MOST_MB, faults);
        let keep_days = journal.take(&settings::KEEP_DAYS, faults);
        let text_days = journal.take(&settings::TEXT_DAYS, faults);
        journal.finish(faults);
        let mut alarm = section.table_or_empty("alarm", "[alarm]", faults);
        let alarm_command = alarm.take(&settings::ALARM_COMMAND, faults);
        alarm.finish(faults);
        let mut region = section.table_or_empty("region", "[region]", faults);
        let region_name = region.take(&settings::REGION_NAME, faults);
        region.finish(faults);
        Some(WholePlan {
            page: page?,
            kiss_server: kiss_server?,
            journal: JournalPlan {
                most_mb: most_mb?,
                keep_days: keep_days?,
                text_days,
            },
            alarm_command: alarm_command?,
            region: region_name?,
        })
    }
}

fn page(mut table: Section<'_>, faults: &mut Faults<'_>) -> Option<PagePlan> {
    let address = table.take(&settings::PAGE_ADDRESS, faults);
    let port = table.take(&settings::PAGE_PORT, faults);
    let password_hash = table.take(&settings::PASSWORD_HASH, faults);
    let guest = table.take(&settings::GUEST, faults);
    let cert = table.take(&settings::TLS_CERT, faults);
    let key = table.take(&settings::TLS_KEY, faults);
    for (one, other) in [("tls_cert", "tls_key"), ("tls_key", "tls_cert")] {
        if table.was_written(one) && !table.was_written(other) {
            let what = format!("{one}: TLS needs the other half too, {other}");
            faults.add(table.at(one), what, "both files, or neither");
        }
    }
    table.finish(faults);
    Some(PagePlan {
        address: address?,
        port: port? as u16, // 0 to 65535 by its rule.
        password_hash,
        guest: guest?,
        tls: cert.zip(key),
    })
}

/// The ports that a list `key` names; a name that no port has is a fault.
pub(crate) fn names_of_ports(
    list: &[String],
    names: &[String],
    key: &'static str,
    table: &Section<'_>,
    faults: &mut Faults<'_>,
) -> Vec<PortId> {
    let mut ports = Vec::new();
    for name in list {
        match names.iter().zip(0..).find(|(known, _)| *known == name) {
            Some((_, index)) => ports.push(PortId(index)),
            None => {
                let known: Vec<&str> = names.iter().map(String::as_str).collect();
                let hint = match nearest(name, &known) {
                    Some(near) => format!("; '{near}' is there"),
                    None => String::new(),
                };
                let what = format!("{key}: no port is called '{}'{hint}", shorten(name));
                let allowed = format!("names of ports: {}", known.join(", "));
                faults.add(table.at(key), what, allowed);
            }
        }
    }
    ports
}

fn kiss_server(
    mut table: Section<'_>,
    names: &[String],
    faults: &mut Faults<'_>,
) -> Option<KissServerPlan> {
    let enabled = table.take(&settings::KISS_ENABLED, faults);
    let address = table.take(&settings::KISS_ADDRESS, faults);
    let port = table.take(&settings::KISS_PORT, faults);
    let ports = table.take(&settings::KISS_PORTS, faults);
    if let Some(ports) = &ports {
        names_of_ports(ports, names, "ports", &table, faults);
    }
    table.finish(faults);
    Some(KissServerPlan {
        enabled: enabled?,
        address: address?,
        port: port? as u16, // 1 to 65535 by its rule.
        ports: ports?,
    })
}
