//! The connection to the server: its address, deadlines and retries.

use std::time::{Duration, Instant};

use fitup_proto::v1::order_service_client::OrderServiceClient;
use fitup_proto::v1::plan_service_client::PlanServiceClient;
use fitup_proto::v1::shop_service_client::ShopServiceClient;
use tonic::transport::{Channel, Endpoint};
use tonic::{Code, Request, Response, Status};
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
}

impl Connection {
    /// Returns a connection that is made with the first call.
    ///
    /// # Errors
    ///
    /// If the address is none.
    pub fn new(url: &str, timeout: Duration) -> Result<Self, Failure> {
        let wrong = |_| Failure::usage(format!("\"{url}\" is no address such as http://127.0.0.1:50610"));
        let endpoint = Endpoint::from_shared(url.to_owned()).map_err(wrong)?;
        if endpoint.uri().host().is_none() || endpoint.uri().scheme().is_none() {
            return Err(Failure::usage(format!("\"{url}\" is no address such as http://127.0.0.1:50610")));
        }
        let endpoint = endpoint.connect_timeout(timeout).tcp_keepalive(Some(Duration::from_secs(30)));
        Ok(Self { channel: endpoint.connect_lazy(), timeout })
    }

    /// The service of shops.
    pub fn shops(&self) -> ShopServiceClient<Channel> {
        ShopServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of orders.
    pub fn orders(&self) -> OrderServiceClient<Channel> {
        OrderServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// The service of plans and plan runs.
    pub fn plans(&self) -> PlanServiceClient<Channel> {
        PlanServiceClient::new(self.channel.clone()).max_decoding_message_size(LARGEST_MESSAGE)
    }

    /// Sends a request until it is answered, the time is up, or the server has been away for some attempts.
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
            let mut message = Request::new(request.clone());
            message.set_timeout(self.timeout.saturating_sub(start.elapsed()));
            match send(message).await {
                Ok(response) => return Ok(response.into_inner()),
                Err(status) => {
                    let is_last = attempt == ATTEMPTS || start.elapsed() + wait >= self.timeout;
                    if status.code() != Code::Unavailable || is_last {
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

/// Returns a request id of its own for a change.
pub fn request_id() -> String {
    Uuid::new_v4().to_string()
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;

    use super::*;

    fn connection() -> Connection {
        Connection::new("http://127.0.0.1:1", Duration::from_secs(5)).expect("is an address")
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

    #[tokio::test]
    async fn refuses_what_is_no_address() {
        for url in ["", "localhost", "http://"] {
            assert!(Connection::new(url, Duration::from_secs(1)).is_err(), "{url}");
        }
    }
}
