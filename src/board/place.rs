//! Where the board may be seen, and by whom: its address, its secrets, its links.

use crate::terminal::safe;
use sha2::{Digest, Sha256};
use std::fmt::{self, Write as _};
use std::io::{self, Write as _};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// Where the board listens when no address is given.
pub const DEFAULT: &str = "127.0.0.1:7717";
/// A secret shorter than this is none.
const SHORTEST: usize = 24;
/// Nothing longer is read as one.
const LONGEST: u64 = 4096;

/// What can be wrong with where the board is to be.
#[derive(Debug, thiserror::Error)]
pub enum PlaceError {
    #[error(
        "{0} can be reached from other machines. Add --board-network if that is meant; the board then shows nothing \
         without the token in its link. It is plain HTTP: use it only on a network that is yours"
    )]
    Network(SocketAddr),
    #[error("the board's secret {} cannot be {what}: {why}", safe(.path.display()))]
    Secret { path: PathBuf, what: &'static str, why: io::Error },
    #[error("the board's secret {path} can be read by others: run `chmod 600 {path}`", path = safe(.0.display()))]
    Open(PathBuf),
    #[error("the board's secret {} has less than {SHORTEST} characters: delete the file, and a new one is made", safe(.0.display()))]
    Weak(PathBuf),
}

/// An address that was agreed to, and the tokens for it.
#[derive(Debug, Clone)]
pub struct Place {
    pub address: SocketAddr,
    /// Needed to look on, where other machines can reach the board.
    look: Token,
    /// Needed to act.
    act: Token,
}

/// A token. It is shown once, in a link, and never compared letter by letter.
#[derive(Clone)]
struct Token(String);

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token")
    }
}

impl Token {
    /// 128 bits that tell nothing of the secret, nor of another token made from it.
    fn new(secret: &str, purpose: &str) -> Token {
        let mut text = String::new();
        for byte in &Sha256::digest(format!("earmark board, to {purpose}: {secret}"))[..16] {
            let _ = write!(text, "{byte:02x}");
        }
        Token(text)
    }

    fn is(&self, given: &str) -> bool {
        // How long this takes tells of digests only.
        Sha256::digest(&self.0) == Sha256::digest(given)
    }
}

impl Place {
    /// `network` agrees to an address that other machines can reach. With a file for the secret the links stay the
    /// same from one start to the next; it is made if it is not there, for its owner only.
    pub fn new(address: SocketAddr, network: bool, secret: Option<&Path>) -> Result<Place, PlaceError> {
        if !address.ip().is_loopback() && !network {
            return Err(PlaceError::Network(address));
        }
        let secret = match secret {
            None => fresh(),
            Some(path) => kept(path)?,
        };
        Ok(Place { address, look: Token::new(&secret, "look"), act: Token::new(&secret, "act") })
    }

    /// The same, where the system chose the port.
    pub(super) fn at(self, address: SocketAddr) -> Place {
        Place { address, ..self }
    }

    /// Whether this token lets one look on; on loopback none is needed.
    pub(super) fn may_look(&self, token: Option<&str>) -> bool {
        self.address.ip().is_loopback() || token.is_some_and(|token| self.look.is(token)) || self.may_act(token)
    }

    /// Whether this token lets one act.
    pub(super) fn may_act(&self, token: Option<&str>) -> bool {
        token.is_some_and(|token| self.act.is(token))
    }

    /// Where the wall view is.
    pub fn wall(&self) -> String {
        match self.address.ip().is_loopback() {
            true => format!("http://{}/", self.address),
            false => format!("http://{}/#{}", self.address, self.look.0),
        }
    }

    /// Where the scribe's view is. Whoever has this link may act.
    pub fn scribe(&self) -> String {
        format!("http://{}/scribe#{}", self.address, self.act.0)
    }

    /// Both, to be told to whoever started it.
    pub fn links(&self) -> String {
        format!("Wall board: {}\nScribe's board, where whoever has this link may act: {}", self.wall(), self.scribe())
    }
}

/// 244 random bits.
fn fresh() -> String {
    format!("{}{}", uuid::Uuid::new_v4().simple(), uuid::Uuid::new_v4().simple())
}

fn kept(path: &Path) -> Result<String, PlaceError> {
    let failed = |what| move |why| PlaceError::Secret { path: path.into(), what, why };
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    match options.open(path) {
        Ok(mut file) => {
            let secret = fresh();
            writeln!(file, "{secret}").map_err(failed("written"))?;
            Ok(secret)
        }
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            let mut text = String::new();
            let file = std::fs::File::open(path).map_err(failed("read"))?;
            #[cfg(unix)]
            if std::os::unix::fs::MetadataExt::mode(&file.metadata().map_err(failed("read"))?) & 0o077 != 0 {
                return Err(PlaceError::Open(path.into()));
            }
            io::Read::read_to_string(&mut io::Read::take(file, LONGEST), &mut text).map_err(failed("read"))?;
            let secret = text.trim();
            if secret.len() < SHORTEST { Err(PlaceError::Weak(path.into())) } else { Ok(secret.into()) }
        }
        Err(error) => Err(failed("written")(error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(address: &str) -> Place {
        Place::new(address.parse().unwrap(), true, None).unwrap()
    }

    #[test]
    fn other_machines_are_let_in_only_on_purpose() {
        let network = "0.0.0.0:0".parse().unwrap();
        assert!(matches!(Place::new(network, false, None), Err(PlaceError::Network(_))));
        assert!(Place::new("[::1]:0".parse().unwrap(), false, None).is_ok());
        assert!(place("127.0.0.1:1").may_look(None));
        assert!(!place("192.0.2.1:1").may_look(None));
        assert!(!place("192.0.2.1:1").may_look(Some("")));
    }

    #[test]
    fn the_wall_may_look_and_the_scribe_may_do_both() {
        let place = place("192.0.2.1:1");
        let token = |link: String| link.split_once('#').unwrap().1.to_string();
        let (wall, scribe) = (token(place.wall()), token(place.scribe()));
        assert!(place.may_look(Some(&wall)) && !place.may_act(Some(&wall)));
        assert!(place.may_look(Some(&scribe)) && place.may_act(Some(&scribe)));
        assert!(!place.may_act(Some("")) && !place.may_act(None));
    }

    #[test]
    fn a_kept_secret_gives_the_same_links_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("secret");
        let link = || Place::new("127.0.0.1:1".parse().unwrap(), false, Some(&path)).map(|place| place.scribe());
        let first = link().unwrap();
        assert_eq!(first, link().unwrap());
        #[cfg(unix)]
        assert_eq!(std::os::unix::fs::MetadataExt::mode(&path.metadata().unwrap()) & 0o777, 0o600);
        std::fs::write(&path, "short\n").unwrap();
        assert!(matches!(link(), Err(PlaceError::Weak(_))));
        #[cfg(unix)]
        {
            std::fs::set_permissions(&path, std::os::unix::fs::PermissionsExt::from_mode(0o640)).unwrap();
            assert!(matches!(link(), Err(PlaceError::Open(_))));
        }
    }
}
