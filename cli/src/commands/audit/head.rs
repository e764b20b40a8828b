//! Signed fleet heads: fetched or kept, verified under a key that a trusted authority enrolled.

use crate::exit::Exit;
use crate::failure::Failure;
use crate::media;
use crate::server_client::{ServerClient, token_from};
use carrylog_format::bundle::{ReturnItem, read_return};
use carrylog_format::cose::PublicKey;
use carrylog_format::fleet_log::head::{self as fleet_head, FleetHead, FleetHeadError};
use carrylog_format::statement::Role;
use carrylog_format::trust::TrustStore;
use carrylog_keys::NamedKey;
use clap::Args;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Which server, and whom to trust about it.
#[derive(Debug, Args)]
pub(super) struct Source {
    /// Address of the server
    #[arg(long, value_name = "URL")]
    from: String,
    /// Public key file of an authority that you trust; may be given more than once
    #[arg(long, value_name = "AUTHORITY.pub.json", required = true)]
    authority: Vec<PathBuf>,
    /// Name of the environment variable that holds the server's token
    #[arg(long, value_name = "NAME")]
    token_env: Option<String>,
}

/// A server and the statements of the trusted authorities about it.
pub(super) struct Server {
    pub(super) client: ServerClient,
    trust: TrustStore,
}

/// A head whose signature holds under a key that is enrolled for a server.
pub(super) struct TrustedHead {
    pub(super) head: FleetHead,
    pub(super) key: PublicKey,
    pub(super) server: String,
    pub(super) bytes: Vec<u8>,
}

/// A head for people and scripts.
#[derive(Debug, Serialize)]
pub(super) struct HeadView {
    pub(super) leaves: u64,
    pub(super) root: String,
    pub(super) signed_at: String,
}

impl Source {
    /// Reads the authorities' keys and fetches their statements.
    pub(super) fn connect(&self) -> Result<Server, Failure> {
        let mut keys = Vec::new();
        for path in &self.authority {
            keys.push(NamedKey::read_authority(path)?.key);
        }
        let anchors = TrustStore::new(keys);
        let client = ServerClient::new(&self.from, token_from(self.token_env.as_deref())?)?;
        let bytes = client.fetch_statements()?;
        let mut trust = anchors.clone();
        let mut fault = None;
        read_return(bytes.as_slice(), &anchors, &mut |item| {
            if let ReturnItem::Statement(sign1) = item {
                fault = fault.take().or(trust.add(sign1).err());
            }
        })
        .map_err(|refusal| Failure::from(&refusal))?;
        match fault {
            Some(fault) => Err(Failure::new(
                Exit::Refused,
                format!("a statement that the server hands out does not hold: {fault}"),
                "report this to the records office",
            )),
            None => Ok(Server { client, trust }),
        }
    }
}

impl Server {
    /// The head as the server signs it now.
    pub(super) fn fetch_head(&self) -> Result<TrustedHead, Failure> {
        self.trusted(self.client.fetch_fleet_head()?)
    }

    /// Verifies a head.
    pub(super) fn trusted(&self, bytes: Vec<u8>) -> Result<TrustedHead, Failure> {
        let broken = |e: FleetHeadError| {
            Failure::new(
                Exit::Refused,
                format!("the fleet head does not hold: {e}"),
                "fetch it again; if it stays so, report it to the records office",
            )
        };
        let log = fleet_head::claimed_server(&bytes).map_err(broken)?;
        let not_trusted = |why: String| {
            Failure::new(
                Exit::NotTrusted,
                why,
                "ask the authority about the server's key",
            )
        };
        let standing = self
            .trust
            .standing(log)
            .filter(|s| s.enrolment.role == Role::Server);
        let Some(standing) = standing else {
            let why = format!(
                "the fleet head is signed by {}, which no trusted authority enrolled as a server",
                log.short()
            );
            return Err(not_trusted(why));
        };
        let server = standing.enrolment.name.to_string();
        if standing.revoked_from.is_some() {
            return Err(not_trusted(format!(
                "the key of the server «{server}» is revoked"
            )));
        }
        let key = standing.enrolment.key;
        let head = fleet_head::verify(&bytes, &key).map_err(broken)?;
        if !standing.covers(head.at_ms) {
            let why = format!(
                "the key of the server «{server}» is not enrolled for {}",
                head.at_ms.date()
            );
            return Err(not_trusted(why));
        }
        Ok(TrustedHead {
            head,
            key,
            server,
            bytes,
        })
    }
}

impl TrustedHead {
    /// Writes the head to a new file, read back.
    pub(super) fn keep(&self, path: &Path) -> Result<(), Failure> {
        if path.exists() {
            let next = "give another name: a kept head is what a later check begins at";
            return Err(Failure::new(Exit::Input, "the file is there already", next).in_file(path));
        }
        let written = media::write_file(path, |out| out.write_all(&self.bytes))?;
        Ok(media::read_back(path, &written, |_| ())?)
    }

    pub(super) fn view(&self) -> HeadView {
        HeadView {
            leaves: self.head.size,
            root: self.head.root.to_string(),
            signed_at: self.head.at_ms.to_string(),
        }
    }
}
