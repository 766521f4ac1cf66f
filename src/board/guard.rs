//! Who may ask for what. Every request passes here before anything of it is read further.

use super::guests::Standing;
use super::place::Place;
use crate::hex;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use std::net::IpAddr;

/// Why a request is turned away.
pub(super) type Refusal = (StatusCode, &'static str);

/// Where the events stream from: the wall's, and the scribe's with the whole list.
pub(super) const EVENTS: &str = "/events";
pub(super) const LIST: &str = "/events/list";
/// Where acts go.
pub(super) const ACT: &str = "/act";

/// The header in which an act has its id.
const ACT_ID: &str = "idempotency-key";

/// Sent with every answer. Nothing from elsewhere, nothing inline, no frame around us, nothing kept.
pub(super) const HEADERS: [(&str, &str); 8] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("permissions-policy", "camera=(), geolocation=(), microphone=(), screen-wake-lock=(self)"),
    ("cache-control", "no-store"),
];

/// Lets a request pass and tells who asks, or says why not.
pub(super) fn check(place: &Place, method: &Method, path: &str, headers: &HeaderMap) -> Result<Standing, Refusal> {
    let host = only(headers, header::HOST).filter(|host| is_ours(host, place));
    let host = host.ok_or((
        StatusCode::MISDIRECTED_REQUEST,
        "ask for this board by its address, or by the machine's own name, as its link says\n",
    ))?;
    let data = [EVENTS, LIST, ACT].contains(&path);
    if !data {
        return Ok(Standing::Stranger);
    }
    let site = headers.get("sec-fetch-site").is_none_or(|site| site == "same-origin");
    let origin = headers.get_all(header::ORIGIN).iter().all(|origin| is_origin(origin, host));
    if !site || !origin {
        return Err((StatusCode::FORBIDDEN, "another site's page may not ask for this\n"));
    }
    let token = only(headers, header::AUTHORIZATION).and_then(|value| value.strip_prefix("Bearer "));
    let standing = place.standing(token);
    if path != ACT {
        let may_look = standing != Standing::Looker || place.is_private();
        let refused = (StatusCode::UNAUTHORIZED, "the token of the wall's or the scribe's link is needed\n");
        return if may_look { Ok(standing) } else { Err(refused) };
    }
    if method == Method::POST && !headers.contains_key(header::ORIGIN) {
        return Err((StatusCode::FORBIDDEN, "the board's own page must ask for this\n"));
    }
    if standing != Standing::Scribe {
        return Err((StatusCode::UNAUTHORIZED, "the token of the scribe's link is needed\n"));
    }
    if method == Method::POST && only(headers, header::CONTENT_TYPE) != Some("application/json") {
        return Err((StatusCode::UNSUPPORTED_MEDIA_TYPE, "an act is application/json\n"));
    }
    Ok(standing)
}

/// What tells an act from all others, so that it is done once however often it is sent. It names this run of the program:
/// another has another list, and does not remember what this one did.
pub(super) fn act_id<'h>(run: &str, headers: &'h HeaderMap) -> Result<&'h str, Refusal> {
    let is_hex = |id: &str| id.len() == 32 && hex::is_hex(id);
    let sent = only(headers, HeaderName::from_static(ACT_ID)).and_then(|value| value.split_once('/'));
    match sent {
        Some((of, id)) if is_hex(id) && of == run => Ok(id),
        Some((_, id)) if is_hex(id) => {
            Err((StatusCode::CONFLICT, "the recorder was started anew: look at the list, then ask again\n"))
        }
        _ => Err((
            StatusCode::BAD_REQUEST,
            "an act needs the header `idempotency-key: RUN/ID`: RUN as the events tell it, ID 32 random hex digits (0-9, \
             a-f), new ones for each act and the same when it is sent again\n",
        )),
    }
}

/// A header that stands there once, as text.
fn only(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    let mut all = headers.get_all(name).iter();
    let value = all.next()?.to_str().ok()?;
    all.next().is_none().then_some(value)
}

/// An address, `localhost` or a name of this machine: any other name could be made to lead here from another site.
fn is_ours(host: &str, place: &Place) -> bool {
    let (name, given) = match host.rsplit_once(':') {
        Some((name, given)) if !given.contains(']') => (name, given.parse().ok()),
        _ => (host, Some(80)),
    };
    let address = name.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(name);
    given == Some(place.address.port())
        && (name == "localhost" || address.parse::<IpAddr>().is_ok() || place.is_named(name))
}

fn is_origin(origin: &HeaderValue, host: &str) -> bool {
    origin.to_str().is_ok_and(|origin| origin.strip_prefix("http://") == Some(host))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOST: &str = "127.0.0.1:7717";

    fn place() -> Place {
        Place::new(HOST.parse().unwrap(), false, None).unwrap()
    }

    fn status(place: &Place, method: Method, path: &str, headers: &[(&'static str, &str)]) -> u16 {
        let mut map = HeaderMap::new();
        for (name, value) in headers {
            map.append(*name, value.parse().unwrap());
        }
        check(place, &method, path, &map).err().map_or(200, |(status, _)| status.as_u16())
    }

    #[test]
    fn names_that_could_lead_here_from_elsewhere_are_refused() {
        let ask = |host: &str| status(&place(), Method::GET, "/", &[("host", host)]);
        for host in [HOST, "localhost:7717", "[::1]:7717", "10.1.2.3:7717"] {
            assert_eq!(ask(host), 200, "{host}");
        }
        for host in ["evil.example:7717", "127.0.0.1", "127.0.0.1:80", "127.0.0.1.evil.example:7717", "localhost.:7717"]
        {
            assert_eq!(ask(host), 421, "{host}");
        }
        assert_eq!(status(&place(), Method::GET, "/", &[]), 421);
        assert_eq!(status(&place(), Method::GET, "/", &[("host", HOST), ("host", HOST)]), 421);
    }

    #[test]
    fn on_a_network_the_machines_own_names_lead_here() {
        let place = Place::new("0.0.0.0:7717".parse().unwrap(), true, None).unwrap();
        let ask = |place: &Place, name: &str| status(place, Method::GET, "/", &[("host", &format!("{name}:7717"))]);
        let own = rustix::system::uname().nodename().to_string_lossy().into_owned();
        let local = format!("{}.local", own.split('.').next().unwrap());
        if own.starts_with("localhost") {
            return; // It has no name of its own.
        }
        for name in [own.as_str(), &own.to_uppercase(), &local, "localhost", "192.0.2.7"] {
            assert_eq!(ask(&place, name), 200, "{name}");
        }
        for name in ["evil.example", &format!("{own}.evil.example"), &format!("{local}.example"), ".local", ""] {
            assert_eq!(ask(&place, name), 421, "{name}");
        }
    }

    #[test]
    fn an_act_has_an_id_of_this_run() {
        const ID: &str = "0123456789abcdef0123456789abcdef";
        let status = |text: String| {
            let headers = HeaderMap::from_iter([(HeaderName::from_static(ACT_ID), text.parse().unwrap())]);
            act_id("run", &headers).map(str::to_string).map_err(|(status, _)| status.as_u16())
        };
        assert_eq!(status(format!("run/{ID}")).as_deref(), Ok(ID));
        assert_eq!(status(format!("other/{ID}")), Err(409));
        for text in [ID.to_string(), format!("run/{}", ID.to_uppercase()), "run/1".into(), "run/".into(), "".into()] {
            assert_eq!(status(text), Err(400));
        }
        assert!(act_id("run", &HeaderMap::new()).unwrap_err().1.contains("idempotency-key"));
    }

    #[test]
    fn only_our_own_page_looks_on() {
        let ask = |headers: &[(&'static str, &str)]| {
            status(&place(), Method::GET, EVENTS, &[&[("host", HOST)], headers].concat())
        };
        assert_eq!(ask(&[]), 200);
        assert_eq!(ask(&[("sec-fetch-site", "same-origin"), ("origin", "http://127.0.0.1:7717")]), 200);
        assert_eq!(ask(&[("sec-fetch-site", "cross-site")]), 403);
        assert_eq!(ask(&[("sec-fetch-site", "same-site")]), 403);
        assert_eq!(ask(&[("origin", "http://127.0.0.1:7718")]), 403);
        assert_eq!(ask(&[("origin", "null")]), 403);
    }

    #[test]
    fn an_act_needs_everything() {
        let place = place();
        let token = format!("Bearer {}", place.scribe().split_once('#').unwrap().1);
        let all = [
            ("host", HOST),
            ("origin", "http://127.0.0.1:7717"),
            ("authorization", token.as_str()),
            ("content-type", "application/json"),
        ];
        assert_eq!(status(&place, Method::POST, ACT, &all), 200);
        for (without, expected) in [(1, 403), (2, 401), (3, 415)] {
            let mut less = all.to_vec();
            less.remove(without);
            assert_eq!(status(&place, Method::POST, ACT, &less), expected, "without {:?}", all[without]);
        }
        let mut wrong = all;
        wrong[2].1 = "Bearer 0123456789abcdef0123456789abcdef";
        assert_eq!(status(&place, Method::POST, ACT, &wrong), 401);
        let twice = [&all[..], &[("origin", "http://evil.example")]].concat();
        assert_eq!(status(&place, Method::POST, ACT, &twice), 403);
    }
}
