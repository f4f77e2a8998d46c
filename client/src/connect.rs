//! The connection to the server: its address, deadlines and retries.

use std::error::Error;
use std::fs;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use fitup_proto::v1::explain_service_client::ExplainServiceClient;
use fitup_proto::v1::floor_service_client::FloorServiceClient;
use fitup_proto::v1::history_service_client::HistoryServiceClient;
use fitup_proto::v1::intake_service_client::IntakeServiceClient;
use fitup_proto::v1::order_service_client::OrderServiceClient;
use fitup_proto::v1::plan_service_client::PlanServiceClient;
use fitup_proto::v1::quote_service_client::QuoteServiceClient;
use fitup_proto::v1::rehearsal_service_client::RehearsalServiceClient;
use fitup_proto::v1::replan_service_client::ReplanServiceClient;
use fitup_proto::v1::shop_service_client::ShopServiceClient;
use fitup_proto::v1::token_service_client::TokenServiceClient;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint, Identity};
use tonic::{Code, Request, Response, Status};
use tonic_types::StatusExt;
use uuid::Uuid;

use crate::error::Failure;

/// How often a call is sent while the server is not there.
const ATTEMPTS: u32 = 4;

/// The wait after the first attempt; doubled after each.
const FIRST_WAIT: Duration = Duration::from_millis(100);

/// A plan of a large shop is larger than the 4 MiB that tonic takes by default.
const LARGEST_MESSAGE: usize = 64 << 20;

/// A server and how long to wait for it.
#[derive(Debug, Clone)]
pub struct Connection {
    channel: Channel,
    timeout: Duration,
    token: Option<MetadataValue<Ascii>>,
}

/// Where a server is, and how it knows us.
#[derive(Debug, Clone, Default)]
pub struct Address {
    /// Such as `https://shop.example:50610`.
    pub url: String,
    /// The authority of the server's certificate, as a file in PEM; without it those that the machine trusts.
    pub ca: Option<PathBuf>,
    /// Our own certificate and its key, as files in PEM.
    pub identity: Option<(PathBuf, PathBuf)>,
    /// Our token.
    pub token: Option<String>,
    /// Send the token without TLS to other machines too.
    pub may_expose_token: bool,
}

impl Connection {
    /// Returns a connection that is made with the first call.
    ///
    /// # Errors
    ///
    /// If the address is none, a file of a certificate cannot be read, the token is none, or it would be sent in the
    /// clear.
    pub fn new(address: &Address, timeout: Duration) -> Result<Self, Failure> {
        let url = &address.url;
        let wrong = || Failure::usage(format!("\"{url}\" is no address such as http://127.0.0.1:50610"));
        let mut endpoint = Endpoint::from_shared(url.clone()).map_err(|_| wrong())?;
        let host = endpoint.uri().host().ok_or_else(wrong)?.to_owned();
        let scheme = endpoint.uri().scheme_str().ok_or_else(wrong)?.to_owned();
        match scheme.as_str() {
            "https" => endpoint = secure(endpoint, address)?,
            "http" if address.ca.is_some() || address.identity.is_some() => {
                return Err(Failure::usage(format!("certificates are for https, and the server is at {url}"))
                    .hint("say --server https://.., or leave --ca, --cert and --key away"));
            }
            "http" if address.token.is_some() && !is_near(&host) && !address.may_expose_token => {
                return Err(Failure::usage(format!(
                    "the token would be sent to {url} for everybody on the way to read"
                ))
                .hint("say --server https://.., or --expose-token if the way is safe"));
            }
            "http" => {}
            _ => return Err(wrong()),
        }
        let token = address.token.as_deref().map(bearer).transpose()?;
        let endpoint = endpoint.connect_timeout(timeout).tcp_keepalive(Some(Duration::from_secs(30)));
        Ok(Self { channel: endpoint.connect_lazy(), timeout, token })
    }

    /// Returns the same connection, on which answers are waited for `longer`: work that was asked for takes its time.
    pub fn patient(&self, longer: Duration) -> Self {
        Self { timeout: self.timeout.saturating_add(longer), ..self.clone() }
    }

    /// Returns a request that carries our token.
    pub fn request<T>(&self, message: T) -> Request<T> {
        let mut request = Request::new(message);
        if let Some(token) = &self.token {
            request.metadata_mut().insert("authorization", token.clone());
        }
        request
    }

    /// The service of shops.
    pub fn shops(&self) -> ShopServiceClient<Channel> {
        ShopServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of orders.
    pub fn orders(&self) -> OrderServiceClient<Channel> {
        OrderServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of orders from lines.
    pub fn intake(&self) -> IntakeServiceClient<Channel> {
        IntakeServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of tokens.
    pub fn tokens(&self) -> TokenServiceClient<Channel> {
        TokenServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of history.
    pub fn history(&self) -> HistoryServiceClient<Channel> {
        HistoryServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service that explains plans.
    pub fn explain(&self) -> ExplainServiceClient<Channel> {
        ExplainServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of quotes.
    pub fn quotes(&self) -> QuoteServiceClient<Channel> {
        QuoteServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of plans and plan runs.
    pub fn plans(&self) -> PlanServiceClient<Channel> {
        PlanServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of the floor.
    pub fn floor(&self) -> FloorServiceClient<Channel> {
        FloorServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service that plays weeks ahead.
    pub fn rehearsals(&self) -> RehearsalServiceClient<Channel> {
        RehearsalServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service that mends plans.
    pub fn replans(&self) -> ReplanServiceClient<Channel> {
        ReplanServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// Sends a request until it is answered, the time is up, or the server has been away or busy for some attempts.
    ///
    /// The request is the same each time, its request id too, so an answer that got lost does no harm.
    ///
    /// # Errors
    ///
    /// With what the server answered, or UNAVAILABLE or DEADLINE_EXCEEDED.
    pub async fn call<Req: Clone, Res>(
        &self,
        request: Req,
        send: impl AsyncFn(Request<Req>) -> Result<Response<Res>, Status>,
    ) -> Result<Res, Status> {
        let start = Instant::now();
        let mut wait = FIRST_WAIT;
        for attempt in 1.. {
            let mut message = self.request(request.clone());
            message.set_timeout(self.timeout.saturating_sub(start.elapsed()));
            match send(message).await {
                Ok(response) => return Ok(response.into_inner()),
                Err(status) => {
                    let status = closed(status);
                    let too_fast = rate_delay(&status);
                    wait = too_fast.map_or(wait, |delay| delay.max(FIRST_WAIT));
                    let is_last = attempt == ATTEMPTS || start.elapsed() + wait >= self.timeout;
                    let is_worth_it = status.code() == Code::Unavailable || too_fast.is_some();
                    if !is_worth_it || is_last {
                        // tonic tells a deadline passed on this side as CANCELLED.
                        let is_late = status.code() == Code::Cancelled && start.elapsed() >= self.timeout;
                        return Err(if is_late { Status::deadline_exceeded("no answer yet") } else { status });
                    }
                }
            }
            tokio::time::sleep(wait).await;
            wait *= 2;
        }
        unreachable!("the last attempt returns")
    }
}

/// What goes wrong on the way is told as UNKNOWN, INTERNAL or CANCELLED by this side, and then has a source, which no
/// status of a server has. It is a server that is not there, is full, or speaks TLS where we do not.
fn closed(status: Status) -> Status {
    // A deadline that has passed is CANCELLED too, in other words.
    let is_dropped = status.code() == Code::Cancelled && status.message() == "operation was canceled";
    let is_odd = is_dropped || matches!(status.code(), Code::Unknown | Code::Internal);
    let Some(error) = status.source().filter(|_| is_odd) else { return status };
    let cause = error.source().map_or_else(|| error.to_string(), ToString::to_string);
    Status::unavailable(format!("the connection broke: {cause}"))
}

/// Returns how long to wait if the server says that we call too often.
fn rate_delay(status: &Status) -> Option<Duration> {
    let details = status.get_error_details();
    let is_rate = details.error_info().is_some_and(|info| info.reason == "RATE_EXCEEDED");
    details.retry_info().filter(|_| is_rate)?.retry_delay
}

fn secure(endpoint: Endpoint, address: &Address) -> Result<Endpoint, Failure> {
    let mut tls = ClientTlsConfig::new();
    tls = match &address.ca {
        Some(path) => tls.ca_certificate(Certificate::from_pem(pem("--ca", path)?)),
        None => tls.with_native_roots(),
    };
    if let Some((cert, key)) = &address.identity {
        tls = tls.identity(Identity::from_pem(pem("--cert", cert)?, pem("--key", key)?));
    }
    endpoint.tls_config(tls).map_err(|error| {
        let cause = error.source().map_or_else(|| error.to_string(), ToString::to_string);
        Failure::usage("TLS cannot be used with these certificates").cause(cause).hint(
            "name the authority of the server's certificate with --ca, and a pair made together with --cert, --key",
        )
    })
}

fn pem(flag: &str, path: &Path) -> Result<Vec<u8>, Failure> {
    let text = fs::read(path).map_err(|error| {
        Failure::usage(format!("{flag} {} cannot be read", path.display())).cause(error.to_string())
    })?;
    let is_pem = text.windows(10).any(|part| part == b"-----BEGIN");
    if is_pem { Ok(text) } else { Err(Failure::usage(format!("{flag} {} is not in PEM form", path.display()))) }
}

/// Tells whether what is sent to a host stays on this machine.
fn is_near(host: &str) -> bool {
    let address = host.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
    host == "localhost" || address.is_ok_and(|address| address.to_canonical().is_loopback())
}

fn bearer(token: &str) -> Result<MetadataValue<Ascii>, Failure> {
    let is_plain = !token.is_empty() && token.bytes().all(|byte| byte.is_ascii_graphic());
    let value = format!("bearer {token}").parse::<MetadataValue<Ascii>>().ok().filter(|_| is_plain);
    let mut value = value.ok_or_else(|| {
        Failure::usage("the token is none").hint("it is one word, such as fitup_ and 64 digits and letters")
    })?;
    value.set_sensitive(true);
    Ok(value)
}

/// Returns a request id of its own for a change.
pub fn request_id() -> String {
    Uuid::new_v4().to_string()
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;

    use super::*;

    fn connection() -> Connection {
        let address = Address { url: "http://127.0.0.1:1".to_owned(), ..Address::default() };
        Connection::new(&address, Duration::from_secs(5)).expect("is an address")
    }

    /// A server that is away twice gets the same request three times.
    #[tokio::test]
    async fn repeats_the_same_request_while_the_server_is_away() {
        let seen = RefCell::new(Vec::new());
        let answer = connection()
            .call(request_id(), async |request: Request<String>| {
                seen.borrow_mut().push(request.into_inner());
                if seen.borrow().len() < 3 { Err(Status::unavailable("away")) } else { Ok(Response::new(7)) }
            })
            .await;
        assert_eq!(answer.expect("is answered"), 7);
        let seen = seen.into_inner();
        assert!(seen.len() == 3 && seen.iter().all(|id| *id == seen[0]), "{seen:?}");
    }

    #[tokio::test]
    async fn does_not_repeat_what_was_refused() {
        let count = RefCell::new(0);
        let answer: Result<(), Status> = connection()
            .call((), async |_: Request<()>| {
                *count.borrow_mut() += 1;
                Err(Status::aborted("changed"))
            })
            .await;
        assert_eq!((answer.expect_err("is refused").code(), count.into_inner()), (Code::Aborted, 1));
    }

    /// Who calls too often waits as long as the server says, and asks again.
    #[tokio::test]
    async fn waits_if_it_was_too_fast() {
        let count = RefCell::new(0);
        let answer = connection()
            .call((), async |_: Request<()>| {
                *count.borrow_mut() += 1;
                let mut details = tonic_types::ErrorDetails::new();
                details.set_error_info("RATE_EXCEEDED", "fitup", std::collections::HashMap::new());
                details.set_retry_info(Some(Duration::from_millis(5)));
                let status = Status::with_error_details(Code::ResourceExhausted, "too often", details);
                if *count.borrow() < 3 { Err(status) } else { Ok(Response::new(7)) }
            })
            .await;
        assert_eq!((answer.expect("is answered"), count.into_inner()), (7, 3));
    }

    fn refused(address: Address) -> Option<String> {
        Connection::new(&address, Duration::from_secs(1)).err().map(|failure| failure.message)
    }

    #[tokio::test]
    async fn refuses_what_is_no_address() {
        for url in ["", "localhost", "http://", "ftp://localhost"] {
            assert!(refused(Address { url: url.to_owned(), ..Address::default() }).is_some(), "{url}");
        }
    }

    #[tokio::test]
    async fn a_token_is_not_sent_in_the_clear() {
        let with_token =
            |url: &str| Address { url: url.to_owned(), token: Some("fitup_00".to_owned()), ..Address::default() };
        for near in ["http://127.0.0.1:1", "http://[::1]:1", "http://localhost:1"] {
            assert_eq!(refused(with_token(near)), None, "{near}");
        }
        for far in ["http://192.0.2.1:1", "http://localhost.example:1"] {
            assert!(refused(with_token(far)).is_some_and(|told| told.contains("would be sent")), "{far}");
            assert_eq!(refused(Address { may_expose_token: true, ..with_token(far) }), None);
        }
        let two_words = Address { token: Some("two words".to_owned()), ..with_token("http://127.0.0.1:1") };
        assert_eq!(refused(two_words).as_deref(), Some("the token is none"));
        let request = Connection::new(&with_token("http://[::1]:1"), Duration::from_secs(1)).expect("good").request(());
        assert_eq!(request.metadata().get("authorization").expect("is sent"), "bearer fitup_00");
        assert!(!format!("{request:?}").contains("fitup_00"), "nothing prints it by accident");
    }
}
