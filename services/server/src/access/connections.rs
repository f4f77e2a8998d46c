//! How many connections there may be: those beyond are closed at once, so that a flood takes no memory.

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::{Duration, Instant};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_stream::Stream;
use tonic::transport::server::{Connected, TcpConnectInfo, TcpIncoming};

/// A flood is told of this often.
const TELL_PAUSE: Duration = Duration::from_secs(10);

/// Connections that come in, as long as there are few.
#[derive(Debug)]
pub struct Limited {
    incoming: TcpIncoming,
    places: Arc<Semaphore>,
    limit: u32,
    told: Option<Instant>,
}

impl Limited {
    /// Takes at most `limit` connections at once.
    pub fn new(incoming: TcpIncoming, limit: u32) -> Limited {
        Limited { incoming, places: Arc::new(Semaphore::new(limit as usize)), limit, told: None }
    }

    fn turn_away(&mut self, connection: TcpStream) {
        drop(connection);
        if self.told.is_none_or(|told| told.elapsed() >= TELL_PAUSE) {
            self.told = Some(Instant::now());
            tracing::warn!(
                limit = self.limit,
                "connections are turned away; --connection-limit says how many there may be"
            );
        }
    }
}

impl Stream for Limited {
    type Item = io::Result<Connection>;

    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        loop {
            let stream = match ready!(Pin::new(&mut self.incoming).poll_next(context)) {
                Some(Ok(stream)) => stream,
                Some(Err(error)) => return Poll::Ready(Some(Err(error))),
                None => return Poll::Ready(None),
            };
            match Arc::clone(&self.places).try_acquire_owned() {
                Ok(place) => return Poll::Ready(Some(Ok(Connection { stream, _place: place }))),
                Err(_) => self.turn_away(stream),
            }
        }
    }
}

/// A connection; its place is free again when it is dropped.
#[derive(Debug)]
pub struct Connection {
    stream: TcpStream,
    _place: OwnedSemaphorePermit,
}

impl Connected for Connection {
    type ConnectInfo = TcpConnectInfo;

    fn connect_info(&self) -> TcpConnectInfo {
        self.stream.connect_info()
    }
}

impl AsyncRead for Connection {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, into)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(context, from)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        from: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write_vectored(context, from)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
