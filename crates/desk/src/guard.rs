//! S12: who may talk to the desk, and what an answer lets a browser do. One layer around every route, so that none can forget it.
//!
//! | looked at | rule | else |
//! |---|---|---|
//! | `Host` | `127.0.0.1:PORT` or `localhost:PORT`: a foreign name that resolves here is refused | 403 |
//! | `Origin` | when sent, the same as the host; on a change it has to be sent | 403 |
//! | cookie | set once the opened address brought the token; its name has the port, for cookies do not tell ports apart | 403 |
//! | `csrf` in the query | on every change, before a byte of the body is read | 403 |
//!
//! What a reader would question: the welcome is a page that leads on, and not a redirect. A browser that was led here from a file
//! (see `firmhand desk --open`) counts what a redirect leads to as asked for by a stranger, and keeps a strict cookie to itself then
//! (RFC 6265bis, section 5.2); what a page of this desk asks for next is asked for by the desk.
//!
//! And the referrer policy is `same-origin` and not `no-referrer`. With the latter browsers send
//! `Origin: null` with forms (Fetch standard, "append a request Origin header"), and the origin could not be checked. Nothing
//! here leads elsewhere, and the token leaves the address with the first answer.

use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HOST, HeaderName, HeaderValue, ORIGIN, REFERRER_POLICY, REFRESH,
    SET_COOKIE, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::Next;
use axum::response::Response;

use crate::page::bare;
use crate::state::AppState;
use crate::words;

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; \
                      form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// What only this run of the desk and its browser know.
pub(crate) struct Secrets {
    /// In the opened address.
    pub token: String,
    /// In the cookie.
    session: String,
    /// In every form.
    pub csrf: String,
    /// The port that the desk listens on.
    pub port: u16,
}

impl Secrets {
    /// # Errors
    /// When the system has no random numbers.
    pub fn draw(port: u16) -> Result<Self, getrandom::Error> {
        Ok(Self { token: drawn()?, session: drawn()?, csrf: drawn()?, port })
    }

    fn is_own_host(&self, host: &str) -> bool {
        ["127.0.0.1", "localhost"].iter().any(|name| host == format!("{name}:{}", self.port))
    }

    fn cookie_name(&self) -> String {
        format!("firmhand-desk-{}", self.port)
    }

    /// Whether the request carries the session's cookie.
    fn knows(&self, headers: &HeaderMap) -> bool {
        let wanted = format!("{}={}", self.cookie_name(), self.session);
        let cookies = headers.get_all(COOKIE).iter().filter_map(|value| value.to_str().ok());
        cookies.flat_map(|line| line.split(';')).any(|cookie| same(cookie.trim(), &wanted))
    }
}

/// 256 random bits, as hex digits.
fn drawn() -> Result<String, getrandom::Error> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Compares in a time that does not tell how much is right.
fn same(given: &str, wanted: &str) -> bool {
    let different = given.bytes().zip(wanted.bytes()).fold(0, |different, (one, other)| different | (one ^ other));
    given.len() == wanted.len() && different == 0
}

/// The layer: refuses strangers, and puts the headers on every answer.
pub(crate) async fn guard(State(state): State<AppState>, request: Request, next: Next) -> Response {
    let mut answer = match admit(state.secrets(), &request) {
        Admit::In => next.run(request).await,
        Admit::Welcome => welcome(state.secrets()),
        Admit::Out(why) => bare(StatusCode::FORBIDDEN, words::NOT_ADMITTED, &[why, words::OPEN_ADDRESS]),
    };
    let headers = answer.headers_mut();
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    headers.insert(HeaderName::from_static("cross-origin-opener-policy"), HeaderValue::from_static("same-origin"));
    headers.insert(HeaderName::from_static("cross-origin-resource-policy"), HeaderValue::from_static("same-origin"));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}

enum Admit {
    In,
    /// The token is right: the cookie comes, and the address without the token.
    Welcome,
    Out(&'static str),
}

fn admit(secrets: &Secrets, request: &Request) -> Admit {
    let headers = request.headers();
    let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    let hosts = headers.get_all(HOST).iter().count();
    if hosts != 1 || !text(HOST).is_some_and(|host| secrets.is_own_host(host)) {
        return Admit::Out(words::FOREIGN_HOST);
    }
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    let own = text(HOST).map(|host| format!("http://{host}"));
    match text(ORIGIN) {
        Some(origin) if own.as_deref() != Some(origin) => return Admit::Out(words::FOREIGN_ORIGIN),
        None if !reads => return Admit::Out(words::FOREIGN_ORIGIN),
        _ => {}
    }
    let query = |key: &str| {
        let pairs = request.uri().query().unwrap_or_default().split('&');
        pairs.filter_map(|pair| pair.split_once('=')).find(|(name, _)| *name == key).map(|(_, value)| value)
    };
    if reads && request.uri().path() == "/" && query("token").is_some_and(|given| same(given, &secrets.token)) {
        return Admit::Welcome;
    }
    if !secrets.knows(headers) {
        return Admit::Out(words::NO_TOKEN);
    }
    if !reads && !query("csrf").is_some_and(|given| same(given, &secrets.csrf)) {
        return Admit::Out(words::NO_CSRF);
    }
    Admit::In
}

fn welcome(secrets: &Secrets) -> Response {
    let cookie = format!("{}={}; HttpOnly; SameSite=Strict; Path=/", secrets.cookie_name(), secrets.session);
    let mut answer = bare(StatusCode::OK, words::DESK, &[words::WELCOME]);
    let headers = answer.headers_mut();
    headers.insert(REFRESH, HeaderValue::from_static("0; url=/"));
    headers.insert(SET_COOKIE, HeaderValue::from_str(&cookie).expect("digits and plain letters"));
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s12_secrets_are_compared_whole() {
        assert!(same("abc", "abc"));
        for other in ["", "ab", "abcd", "abd", "ABC"] {
            assert!(!same(other, "abc"), "{other}");
        }
    }

    #[test]
    fn s12_two_draws_have_nothing_in_common() {
        let (one, other) = (Secrets::draw(1).expect("random"), Secrets::draw(1).expect("random"));
        let all = [&one.token, &one.session, &one.csrf, &other.token, &other.session, &other.csrf];
        for (index, secret) in all.iter().enumerate() {
            assert_eq!(secret.len(), 64);
            assert!(all[..index].iter().all(|earlier| earlier != secret));
        }
    }
}
