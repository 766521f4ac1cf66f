//! Where the board may be seen, and by whom: its address, its secrets, its links.

use super::guests::Standing;
use crate::hex;
use crate::terminal::safe;
use sha2::{Digest, Sha256};
use std::fmt;
use std::io::{self, Write as _};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

/// Where the board listens when no port is given.
const PORT: u16 = 7717;
/// A secret shorter than this is none.
const SHORTEST: usize = 24;
/// Nothing longer is read as one.
const LONGEST: u64 = 4096;

/// What can be wrong with where the board is to be.
#[derive(Debug, thiserror::Error)]
pub enum PlaceError {
    #[error(
        "expected an address, a port, or both, such as 8080, 127.0.0.1, localhost:7717, [::1]:7717 or 0.0.0.0:7717; the \
         port is {PORT} and the address 127.0.0.1 unless given"
    )]
    Address,
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
    /// What this machine is called on its network; nothing on loopback, where no name is needed.
    names: Vec<String>,
    /// Hosts at which others reach it, best first, as they stand in a link; never none.
    hosts: Vec<String>,
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
        let digest = Sha256::digest(format!("earmark board, to {purpose}: {secret}"));
        Token(hex::encode(&digest[..16]))
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
        let names = if address.ip().is_loopback() { vec![] } else { names() };
        let hosts =
            if address.ip().is_unspecified() { hosts(address.ip(), &own(), &names) } else { vec![host(address.ip())] };
        Ok(Place { address, names, hosts, look: Token::new(&secret, "look"), act: Token::new(&secret, "act") })
    }

    /// The same, where the system chose the port.
    pub(super) fn at(self, address: SocketAddr) -> Place {
        Place { address, ..self }
    }

    /// What somebody with this token is here. Whether a looker may look is for [`Place::is_private`].
    pub(super) fn standing(&self, token: Option<&str>) -> Standing {
        match token {
            Some(token) if self.act.is(token) => Standing::Scribe,
            Some(token) if self.look.is(token) => Standing::Wall,
            _ => Standing::Looker,
        }
    }

    /// Whether only this machine can reach it, so that looking on needs no token.
    pub(super) fn is_private(&self) -> bool {
        self.address.ip().is_loopback()
    }

    /// Whether this is a name of the machine on its network.
    pub(super) fn is_named(&self, name: &str) -> bool {
        self.names.iter().any(|own| own.eq_ignore_ascii_case(name))
    }

    /// Where the wall view is. Its token keeps it a place, also where looking on needs none.
    pub fn wall(&self) -> String {
        self.wall_at(&self.hosts[0])
    }

    /// Where the scribe's view is. Whoever has this link may act.
    pub fn scribe(&self) -> String {
        self.scribe_at(&self.hosts[0])
    }

    fn wall_at(&self, host: &str) -> String {
        format!("http://{host}:{}/#{}", self.address.port(), self.look.0)
    }

    fn scribe_at(&self, host: &str) -> String {
        format!("http://{host}:{}/scribe#{}", self.address.port(), self.act.0)
    }

    /// To be told to whoever started it: a line for the wall and one for the scribe, for each address in turn.
    pub fn links(&self) -> Vec<String> {
        let both = |host: &String| {
            let scribe = self.scribe_at(host);
            [
                format!("Wall board: {}", self.wall_at(host)),
                format!("Scribe's board, where whoever has this link may act: {scribe}"),
            ]
        };
        self.hosts.iter().flat_map(both).collect()
    }
}

/// Where the board is to listen, as somebody types it.
pub fn address(text: &str) -> Result<SocketAddr, PlaceError> {
    let text = match text.strip_prefix("localhost") {
        Some(rest) if rest.is_empty() || rest.starts_with(':') => format!("{}{rest}", Ipv4Addr::LOCALHOST),
        _ => text.into(),
    };
    let bare = text.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(&text);
    let ip = || bare.parse::<IpAddr>().ok().map(|ip| (ip, PORT).into());
    let port = || text.parse::<u16>().ok().map(|port| (Ipv4Addr::LOCALHOST, port).into());
    text.parse().ok().or_else(ip).or_else(port).ok_or(PlaceError::Address)
}

/// As it stands in a link.
fn host(ip: IpAddr) -> String {
    if ip.is_ipv4() { ip.to_string() } else { format!("[{ip}]") }
}

/// This machine's addresses on networks that are up; none where the system does not tell, as in a sandbox.
fn own() -> Vec<IpAddr> {
    let all = if_addrs::get_if_addrs().unwrap_or_default();
    all.iter().filter(|interface| interface.is_oper_up()).map(|interface| interface.ip()).collect()
}

/// What this machine is called: its name, and the same as it is announced on a local network.
fn names() -> Vec<String> {
    let name = rustix::system::uname().nodename().to_string_lossy().to_lowercase();
    let first = name.split('.').next().unwrap_or_default();
    if first.is_empty() || first == "localhost" {
        return vec![];
    }
    let mut names = vec![format!("{first}.local"), first.to_string(), name.clone()];
    names.dedup();
    names
}

/// Hosts for the links of a board that listens at every address of this kind: those of `own` that others can reach, else
/// the machine's name.
fn hosts(any: IpAddr, own: &[IpAddr], names: &[String]) -> Vec<String> {
    // An address that holds on one cable only would need that cable's name behind it, which browsers do not take.
    let reached = |ip: &&IpAddr| match ip {
        IpAddr::V4(ip) => !ip.is_loopback(),
        IpAddr::V6(ip) => any.is_ipv6() && !ip.is_loopback() && !ip.is_unicast_link_local(),
    };
    let mut ips: Vec<IpAddr> = own.iter().filter(reached).copied().collect();
    ips.sort_by_key(IpAddr::is_ipv6);
    ips.dedup();
    if ips.is_empty() {
        return vec![names.first().map_or("localhost", String::as_str).into()];
    }
    ips.into_iter().map(host).collect()
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
        assert!(place("127.0.0.1:1").is_private());
        assert!(!place("192.0.2.1:1").is_private());
    }

    #[test]
    fn each_link_is_known_by_its_token() {
        for address in ["127.0.0.1:1", "192.0.2.1:1"] {
            let place = place(address);
            let token = |link: String| link.split_once('#').unwrap().1.to_string();
            assert_eq!(place.standing(Some(&token(place.wall()))), Standing::Wall);
            assert_eq!(place.standing(Some(&token(place.scribe()))), Standing::Scribe);
            assert_eq!(place.standing(Some("")), Standing::Looker);
            assert_eq!(place.standing(None), Standing::Looker);
        }
    }

    #[test]
    fn what_is_typed_is_an_address() {
        for (text, expected) in [
            ("8080", "127.0.0.1:8080"),
            ("127.0.0.1", "127.0.0.1:7717"),
            ("127.0.0.1:0", "127.0.0.1:0"),
            ("localhost", "127.0.0.1:7717"),
            ("localhost:7718", "127.0.0.1:7718"),
            ("[::1]:7718", "[::1]:7718"),
            ("[::1]", "[::1]:7717"),
            ("::1", "[::1]:7717"),
            ("0.0.0.0:80", "0.0.0.0:80"),
        ] {
            assert_eq!(address(text).unwrap().to_string(), expected, "{text}");
        }
        for text in ["", "70000", "localhost8080", "localhost1", "ward", "1.2.3", ":80", "127.0.0.1:", "http://[::1]"] {
            assert!(address(text).unwrap_err().to_string().contains("such as 8080"), "{text}");
        }
    }

    #[test]
    fn links_name_addresses_that_others_can_reach() {
        let own = ["127.0.0.1", "::1", "fe80::1", "fd00::2", "192.0.2.7", "198.51.100.7"].map(|ip| ip.parse().unwrap());
        let names = ["ward.local".to_string(), "ward".to_string()];
        let any = |any: &str, own: &[IpAddr]| hosts(any.parse().unwrap(), own, &names);
        assert_eq!(any("0.0.0.0", &own), ["192.0.2.7", "198.51.100.7"]);
        assert_eq!(any("::", &own), ["192.0.2.7", "198.51.100.7", "[fd00::2]"]);
        assert_eq!(any("0.0.0.0", &own[..4]), ["ward.local"]);
        assert_eq!(hosts("::".parse().unwrap(), &[], &[]), ["localhost"]);
        assert_eq!(place("[2001:db8::1]:80").links().len(), 2);
        assert!(place("[2001:db8::1]:80").wall().starts_with("http://[2001:db8::1]:80/#"));
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
