//! Answers that are still under way are cut when the token of their call is no longer good.
//!
//! A call is let in once, and its stream may go on for hours. So the token is looked up again while the answer is under
//! way, and the answer ends with the refusal that the next call would meet.

use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use http_body::Frame;
use jiff::Timestamp;
use tonic::Status;
use tonic::body::Body;
use tonic::codegen::Bytes;
use tonic::codegen::http::header::CONTENT_TYPE;
use tracing::Span;

use super::gate::{Good, Keeper};
use crate::error::{Error, TokenRefusal, chain};

/// A token that is revoked cuts what is under way within this time, and costs one look-up in it.
const LOOK: Duration = Duration::from_secs(2);

/// The body of an answer that ends with its token.
pub struct Cut {
    /// `None` once it was cut.
    inner: Option<Body>,
    refused: Pin<Box<dyn Future<Output = Error> + Send>>,
    span: Span,
}

impl Cut {
    /// Returns an answer that `good` was let in for.
    pub fn new(inner: Body, keeper: Arc<Keeper>, good: Good) -> Cut {
        Cut { inner: Some(inner), refused: Box::pin(refused(keeper, good)), span: Span::current() }
    }
}

impl http_body::Body for Cut {
    type Data = Bytes;
    type Error = Status;

    fn poll_frame(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Result<Frame<Bytes>, Status>>> {
        if self.inner.is_none() {
            return Poll::Ready(None);
        }
        // Before the answer itself: one that always has something more is cut too.
        if let Poll::Ready(error) = self.refused.as_mut().poll(context) {
            self.span.in_scope(|| tracing::info!(error = chain(&error), "an answer under way is cut"));
            self.inner = None;
            let mut trailers = Status::from(error).into_http::<()>().into_parts().0.headers;
            // Said at the start of the answer.
            trailers.remove(CONTENT_TYPE);
            return Poll::Ready(Some(Ok(Frame::trailers(trailers))));
        }
        match &mut self.inner {
            Some(inner) => Pin::new(inner).poll_frame(context),
            None => Poll::Ready(None),
        }
    }

    fn is_end_stream(&self) -> bool {
        self.inner.as_ref().is_none_or(Body::is_end_stream)
    }
}

/// Waits until the token is no longer good, and returns why.
async fn refused(keeper: Arc<Keeper>, good: Good) -> Error {
    loop {
        let left = Duration::try_from(keeper.clock.now().duration_until(good.expire_time)).unwrap_or_default();
        tokio::time::sleep(LOOK.min(left)).await;
        match keeper.look_up(&good.digest).await {
            Ok(_) => {}
            Err(error @ Error::Token(_)) => return error,
            // Whoever is in stays in while nobody can say otherwise, but not beyond the expiry.
            Err(_) if has_expired(&keeper, good.expire_time) => return Error::Token(TokenRefusal::Expired),
            Err(error) => tracing::debug!(error = chain(&error), "a token cannot be looked up again"),
        }
    }
}

fn has_expired(keeper: &Keeper, expire_time: Timestamp) -> bool {
    keeper.clock.now() >= expire_time
}
