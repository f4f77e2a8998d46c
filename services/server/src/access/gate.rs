//! The layer before all services: who calls, how often, and whether their role may.

use std::convert::Infallible;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Instant;

use fitup_store::{Digest, Store, TokenRecord};
use jiff::Timestamp;
use tonic::Status;
use tonic::body::Body;
use tonic::codegen::http::header::AUTHORIZATION;
use tonic::codegen::http::{Extensions, HeaderMap, Request, Response};
use tonic::transport::server::{TcpConnectInfo, TlsConnectInfo};
use tower::{Layer, Service};

use super::Caller;
use super::cut::Cut;
use super::mode::Mode;
use super::policy::{self, Admits};
use super::rate::Rates;
use super::secret::Secret;
use crate::clock::Clock;
use crate::error::{Error, TokenRefusal};

/// What the gate knows.
pub struct Keeper {
    /// Where tokens are.
    pub store: Arc<dyn Store>,
    /// By which they expire.
    pub clock: Clock,
    /// Whether they are asked for.
    pub mode: Mode,
    /// How often each may call.
    pub rates: Rates,
}

/// What a call was let in for: its answer lasts no longer than that.
pub struct Good {
    /// By which it is looked up again.
    pub digest: Digest,
    /// It ends then at the latest.
    pub expire_time: Timestamp,
}

impl Keeper {
    /// Returns who makes a call of `method`, if they may, and for which token, if one is asked for.
    async fn admit(
        &self,
        method: &str,
        headers: &HeaderMap,
        origin: Option<String>,
    ) -> Result<(Caller, Option<Good>), Error> {
        let admits = policy::admits(method);
        if self.mode == Mode::Open || admits == Admits::Anybody {
            return Ok((Caller { origin, ..Caller::local() }, None));
        }
        let digest = digest(headers)?;
        let token = self.look_up(&digest).await?;
        self.rates.take(&token.id, Instant::now()).map_err(|wait| Error::RateExceeded { wait })?;
        match admits {
            Admits::Roles(roles) if !roles.contains(&token.role) => {
                return Err(Error::RoleForbids { role: token.role, method: method.to_owned(), roles });
            }
            Admits::Nobody => return Err(Error::NoMethod),
            Admits::Roles(_) | Admits::AnyToken | Admits::Anybody => {}
        }
        let good = Good { digest, expire_time: token.expire_time };
        let actor = format!("tokens/{}", token.id);
        Ok((Caller { actor, role: Some(token.role), scope: token.scope, origin }, Some(good)))
    }

    /// Returns the token with that digest, if it is good. Read anew for each call, so that one that is revoked at any
    /// server is refused at all of them from then on.
    ///
    /// # Errors
    /// Why it is not good; those of the store.
    pub async fn look_up(&self, digest: &Digest) -> Result<TokenRecord, Error> {
        let token = self.store.find_token(digest).await?.ok_or(Error::Token(TokenRefusal::Unknown))?;
        if token.revoke_time.is_some() {
            return Err(Error::Token(TokenRefusal::Revoked));
        }
        if self.clock.now() >= token.expire_time {
            return Err(Error::Token(TokenRefusal::Expired));
        }
        Ok(token)
    }
}

/// Returns the digest of the secret that a call carries.
fn digest(headers: &HeaderMap) -> Result<Digest, Error> {
    let header = headers.get(AUTHORIZATION).ok_or(Error::Token(TokenRefusal::Missing))?;
    let secret = header.to_str().ok().and_then(|header| {
        let (scheme, secret) = header.split_once(' ')?;
        Secret::parse(secret).filter(|_| scheme.eq_ignore_ascii_case("bearer"))
    });
    Ok(secret.ok_or(Error::Token(TokenRefusal::Malformed))?.digest())
}

/// Puts a [`Gate`] in front of a service.
#[derive(Clone)]
pub struct GateLayer(pub Arc<Keeper>);

impl<S> Layer<S> for GateLayer {
    type Service = Gate<S>;

    fn layer(&self, inner: S) -> Gate<S> {
        Gate { inner, keeper: Arc::clone(&self.0) }
    }
}

/// Lets callers in.
#[derive(Clone)]
pub struct Gate<S> {
    inner: S,
    keeper: Arc<Keeper>,
}

impl<S, B> Service<Request<B>> for Gate<S>
where
    S: Service<Request<B>, Response = Response<Body>, Error = Infallible> + Clone + Send + 'static,
    S::Future: Send,
    B: Send + 'static,
{
    type Response = Response<Body>;
    type Error = Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Response<Body>, Infallible>> + Send>>;

    fn poll_ready(&mut self, context: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        self.inner.poll_ready(context)
    }

    fn call(&mut self, mut request: Request<B>) -> Self::Future {
        let clone = self.inner.clone();
        let mut inner = std::mem::replace(&mut self.inner, clone);
        let keeper = Arc::clone(&self.keeper);
        Box::pin(async move {
            let method = request.uri().path().trim_start_matches('/').to_owned();
            let headers = std::mem::take(request.headers_mut());
            let admitted = keeper.admit(&method, &headers, origin(request.extensions())).await;
            *request.headers_mut() = headers;
            // Nobody behind the gate needs it, so nobody can log it.
            request.headers_mut().remove(AUTHORIZATION);
            match admitted {
                Ok((caller, good)) => {
                    request.extensions_mut().insert(caller.clone());
                    let answer = super::within(caller, async move { inner.call(request).await }).await?;
                    Ok(match good {
                        Some(good) => answer.map(|body| Body::new(Cut::new(body, keeper, good))),
                        None => answer,
                    })
                }
                Err(error) => Ok(Status::from(error).into_http()),
            }
        })
    }
}

/// Returns the address that a call came from, without its port.
fn origin(extensions: &Extensions) -> Option<String> {
    let plain = extensions.get::<TcpConnectInfo>();
    let secure = extensions.get::<TlsConnectInfo<TcpConnectInfo>>();
    let info = plain.or_else(|| secure.map(TlsConnectInfo::get_ref))?;
    info.remote_addr().as_ref().map(SocketAddr::ip).map(|ip| ip.to_canonical().to_string())
}
