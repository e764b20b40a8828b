//! The commands of a server: arguments and what they do. The `carrylog` program reuses them.

use crate::folder_lock::LockError;
use crate::key_files::{AuthorityError, authority};
use crate::outcome::Outcome;
use crate::serve::{ServeError, serve};
use crate::server::{Config, OpenError, Server, digest_of, init};
use crate::store::StoreError;
use crate::tokens::{AccessRole, TokenError};
use carrylog_format::text::Name;
use carrylog_keys::PassphraseSource;
use clap::{Args, Parser, Subcommand};
use std::io::{self, IsTerminal, Seek, Write};
use std::path::PathBuf;
use std::sync::Arc;

/// The carrylog fleet server.
#[derive(Debug, Parser)]
#[command(
    name = "carrylog-server",
    version,
    about,
    disable_help_subcommand = true
)]
pub struct Cli {
    #[command(subcommand)]
    command: ServerCommand,
}

/// What a server can be told to do.
#[derive(Debug, Subcommand)]
pub enum ServerCommand {
    /// Make the data folder and the key of a new server.
    Init(InitArgs),
    /// Answer on the network until interrupted.
    Serve(ServeArgs),
    /// Make, list and revoke access tokens.
    #[command(subcommand)]
    Token(TokenCommand),
    /// Bring a file of statements: enrolments, revocations, limits sheets, decisions.
    Trust(TrustArgs),
    /// Make all projections again from entries, seals and statements.
    #[command(after_help = "Example:\n  carrylog-server rebuild records")]
    Rebuild(DataArgs),
    /// Verify everything that is stored, from the bytes up.
    #[command(after_help = "Example:\n  carrylog-server audit records")]
    Audit(DataArgs),
}

/// `init DIR --name NAME`
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog-server init records --name \"Records office\"")]
pub struct InitArgs {
    /// The data folder; made if it is missing.
    pub dir: PathBuf,
    /// The server's name, as the authority enrols it.
    #[arg(long)]
    pub name: Name,
    /// Ask on the terminal for a passphrase to protect the key with.
    #[arg(long)]
    pub protect: bool,
    /// The passphrase of the key.
    #[command(flatten)]
    pub passphrase: PassphraseSource,
}

/// `serve DIR`
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog-server serve records --authority authority.pub.json\n\nThe pages are then at http://127.0.0.1:8350/. Without tokens the server listens on this\nmachine only; everyone on it may deliver and read."
)]
pub struct ServeArgs {
    /// The data folder, made by `init`.
    pub dir: PathBuf,
    /// Address and port to listen on.
    #[arg(long, default_value = "127.0.0.1:8350")]
    pub listen: String,
    /// An authority to trust: its public key file, or the key's 64 hexadecimal digits. It is
    /// remembered.
    #[arg(long, value_name = "FILE_OR_HEX")]
    pub authority: Vec<String>,
    /// The passphrase of the server's key.
    #[command(flatten)]
    pub passphrase: PassphraseSource,
    /// Largest delivered file, in MiB.
    #[arg(long, default_value_t = 1024, value_name = "MIB")]
    pub max_file_mib: u64,
    /// Write the log as JSON lines.
    #[arg(long)]
    pub log_json: bool,
}

/// `token …`
#[derive(Debug, Subcommand)]
pub enum TokenCommand {
    /// Make a token and show it once.
    #[command(
        after_help = "Roles:\n  carry    deliver files, collect what goes back\n  read     look at everything\n  records  deliver, collect, look, bring statements\n  quality  look, collect, audit\n\nExample:\n  carrylog-server token add records --role carry \"Bay 1 laptop\""
    )]
    Add {
        /// The data folder.
        dir: PathBuf,
        /// Whose it is.
        name: String,
        /// What it allows: carry, read, records or quality.
        #[arg(long)]
        role: AccessRole,
        /// The passphrase of the server's key.
        #[command(flatten)]
        passphrase: PassphraseSource,
    },
    /// List the tokens by name.
    #[command(after_help = "Example:\n  carrylog-server token list records")]
    List {
        /// The data folder.
        dir: PathBuf,
        /// The passphrase of the server's key.
        #[command(flatten)]
        passphrase: PassphraseSource,
    },
    /// Take a token back.
    #[command(after_help = "Example:\n  carrylog-server token revoke records \"Bay 1 laptop\"")]
    Revoke {
        /// The data folder.
        dir: PathBuf,
        /// Whose it is.
        name: String,
        /// The passphrase of the server's key.
        #[command(flatten)]
        passphrase: PassphraseSource,
    },
}

/// `trust DIR FILE`
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog-server trust records stick/office.carrylog --authority authority.pub.json"
)]
pub struct TrustArgs {
    /// The data folder.
    pub dir: PathBuf,
    /// The file of statements.
    pub file: PathBuf,
    /// An authority to trust from now on.
    #[arg(long, value_name = "FILE_OR_HEX")]
    pub authority: Vec<String>,
    /// The passphrase of the server's key.
    #[command(flatten)]
    pub passphrase: PassphraseSource,
}

/// A command on a data folder.
#[derive(Debug, Args)]
pub struct DataArgs {
    /// The data folder.
    pub dir: PathBuf,
    /// The passphrase of the server's key.
    #[command(flatten)]
    pub passphrase: PassphraseSource,
}

/// Why a command failed.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The server does not open.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// A passphrase for a new key.
    #[error("{0}; {next}", next = .0.next())]
    Passphrase(#[from] carrylog_keys::PassphraseError),
    /// An authority's key.
    #[error(transparent)]
    Authority(#[from] AuthorityError),
    /// A token.
    #[error(transparent)]
    Token(#[from] TokenError),
    /// The network.
    #[error(transparent)]
    Serve(#[from] ServeError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A delivered file could not be stored.
    #[error(transparent)]
    Import(#[from] crate::import::ImportError),
    /// A file or the output.
    #[error("{0}")]
    Io(#[from] io::Error),
    /// The file was refused.
    #[error("{0}")]
    Refused(String),
    /// There is nothing of that name.
    #[error("there is no token named «{0}»")]
    NoToken(String),
    /// The audit found something.
    #[error(
        "{0} faults were found; restore a backup, or deliver the stations' files to a new server"
    )]
    Unsound(usize),
}

impl RunError {
    /// Another process holds the data folder; the program then ends with code 6.
    pub fn is_in_use(&self) -> bool {
        matches!(self, Self::Open(OpenError::Lock(LockError::InUse(_))))
    }
}

impl Cli {
    /// Does what was asked, writing to `out`.
    ///
    /// # Errors
    /// [`RunError`].
    pub fn run(self, out: &mut dyn Write) -> Result<(), RunError> {
        self.command.run(out)
    }
}

impl ServerCommand {
    /// Does what was asked, writing to `out`.
    ///
    /// # Errors
    /// [`RunError`].
    pub fn run(self, out: &mut dyn Write) -> Result<(), RunError> {
        match self {
            Self::Init(args) => args.run(out),
            Self::Serve(args) => args.run(out),
            Self::Token(command) => command.run(out),
            Self::Trust(args) => args.run(out),
            Self::Rebuild(args) => {
                let rebuilt = args.open()?.rebuild()?;
                writeln!(
                    out,
                    "{} logs and {} units made again.",
                    rebuilt.logs, rebuilt.units
                )?;
                writeln!(out, "Fleet digest before: {}", rebuilt.before)?;
                writeln!(out, "Fleet digest after:  {}", rebuilt.after)?;
                Ok(())
            }
            Self::Audit(args) => audit(args, out),
        }
    }
}

impl DataArgs {
    fn open(self) -> Result<Server, OpenError> {
        Server::open(Config::new(self.dir).opened_with(self.passphrase))
    }
}

impl InitArgs {
    /// Makes the data folder and key.
    ///
    /// # Errors
    /// [`RunError`] if the folder belongs to a server already.
    pub fn run(self, out: &mut dyn Write) -> Result<(), RunError> {
        let passphrase = self.passphrase.choose(self.protect)?;
        let public = init(&self.dir, &self.name, passphrase.as_ref())?;
        writeln!(
            out,
            "Made the server «{}» in {}.",
            public.name,
            self.dir.display()
        )?;
        writeln!(out, "Its key: {}", public.form().digits())?;
        writeln!(
            out,
            "Next: have the authority enrol {} as a server, so that stations believe its receipts.",
            self.dir.join("server.pub.json").display()
        )?;
        Ok(())
    }
}

impl ServeArgs {
    /// Serves until interrupted. Writes the address to `out` once it listens.
    ///
    /// # Errors
    /// [`RunError`].
    pub fn run(self, out: &mut dyn Write) -> Result<(), RunError> {
        log_to_stderr(self.log_json);
        let mut config = Config::new(self.dir)
            .opened_with(self.passphrase)
            .trusting(authorities(&self.authority)?);
        config.max_file_bytes = self.max_file_mib.saturating_mul(1 << 20);
        let server = Arc::new(Server::open(config)?);
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()?;
        runtime.block_on(async {
            let listener = tokio::net::TcpListener::bind(&self.listen).await?;
            writeln!(out, "Listening on http://{}/", listener.local_addr()?)?;
            out.flush()?;
            serve(server, listener, interrupted()).await?;
            Ok(())
        })
    }
}

impl TokenCommand {
    fn run(self, out: &mut dyn Write) -> Result<(), RunError> {
        match self {
            Self::Add {
                dir,
                name,
                role,
                passphrase,
            } => {
                let token = Server::beside(Config::new(dir).opened_with(passphrase))?
                    .add_token(&name, role)?;
                writeln!(out, "{token}")?;
                writeln!(
                    out,
                    "This is the token of «{name}». It cannot be shown again."
                )?;
            }
            Self::List { dir, passphrase } => {
                for token in Server::beside(Config::new(dir).opened_with(passphrase))?.tokens()? {
                    writeln!(
                        out,
                        "{:8} {}  {}",
                        token.role,
                        token.added_at.date(),
                        token.name
                    )?;
                }
            }
            Self::Revoke {
                dir,
                name,
                passphrase,
            } => {
                if !Server::beside(Config::new(dir).opened_with(passphrase))?.revoke_token(&name)? {
                    return Err(RunError::NoToken(name));
                }
                writeln!(out, "«{name}» has no access any more.")?;
            }
        }
        Ok(())
    }
}

impl TrustArgs {
    fn run(self, out: &mut dyn Write) -> Result<(), RunError> {
        let config = Config::new(self.dir)
            .opened_with(self.passphrase)
            .trusting(authorities(&self.authority)?);
        let server = Server::open(config)?;
        let mut file = std::fs::File::open(&self.file)?;
        let (digest, bytes) = digest_of(&mut file)?;
        file.rewind()?;
        match server.deliver(&mut file, digest, bytes)? {
            Outcome::Statements { new, ignored } => {
                writeln!(out, "{new} new statements.")?;
                if ignored > 0 {
                    writeln!(
                        out,
                        "{ignored} statements of authorities that are not trusted here."
                    )?;
                }
                Ok(())
            }
            Outcome::Refused(refused) => Err(RunError::Refused(format!(
                "{}; {}",
                refused.found, refused.advice
            ))),
            other => {
                writeln!(out, "A station's file: {}.", other.name())?;
                Ok(())
            }
        }
    }
}

fn audit(args: DataArgs, out: &mut dyn Write) -> Result<(), RunError> {
    let config = Config::new(args.dir).opened_with(args.passphrase);
    let report = Server::beside(config)?.audit()?;
    for (count, what) in [
        (report.statements, "statements"),
        (report.segments, "segments"),
        (report.entries, "entries"),
        (report.seals, "seals"),
        (report.traces, "traces"),
        (report.leaves, "leaves of the fleet log"),
    ] {
        writeln!(out, "{count:>10} {what}")?;
    }
    for fault in &report.faults {
        writeln!(out, "FAULT {fault}")?;
    }
    if report.is_sound() {
        writeln!(out, "Everything verifies.")?;
        Ok(())
    } else {
        Err(RunError::Unsound(report.faults.len()))
    }
}

fn authorities(given: &[String]) -> Result<Vec<carrylog_format::cose::PublicKey>, AuthorityError> {
    given.iter().map(|text| authority(text)).collect()
}

fn log_to_stderr(json: bool) {
    use tracing_subscriber::filter::{LevelFilter, Targets};
    use tracing_subscriber::fmt::layer;
    use tracing_subscriber::layer::{Layer, SubscriberExt};
    use tracing_subscriber::util::SubscriberInitExt;
    let wished = std::env::var("RUST_LOG").ok().and_then(|t| t.parse().ok());
    let filter = wished.unwrap_or_else(|| Targets::new().with_default(LevelFilter::INFO));
    // A log that cannot be written must not keep the server from answering.
    let lines = layer()
        .with_ansi(io::stderr().is_terminal())
        .with_writer(io::stderr)
        .log_internal_errors(false);
    let lines = if json {
        lines.json().boxed()
    } else {
        lines.boxed()
    };
    // A second start within one program keeps the log that is there.
    let _ = tracing_subscriber::registry()
        .with(lines.with_filter(filter))
        .try_init();
}

/// Done when the program is interrupted or told to end.
async fn interrupted() {
    let interrupt = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = interrupt => {}
                _ = terminate.recv() => {}
            }
            return;
        }
    }
    let _ = interrupt.await;
}
