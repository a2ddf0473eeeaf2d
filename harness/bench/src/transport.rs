//! Bytes to and from a rig, and the clock that resends go by.

use std::io::{self, Write as _};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use dryfire_link::LinkTime;

use crate::wall_clock::WallClock;

/// Why bytes do not go any more. Short troubles of a wire are none of these: the
/// link resends.
#[derive(Debug, thiserror::Error)]
pub enum TransportError {
    /// The port cannot be opened.
    #[error("cannot open the serial port `{port}`: {cause}")]
    Open {
        /// The port as named.
        port: String,
        /// What the system said.
        cause: String,
    },
    /// The port was there and is gone: unplugged, or the program behind it ended.
    #[error("the serial port `{port}` is gone: {cause}")]
    Gone {
        /// The port as named.
        port: String,
        /// What the system said.
        cause: String,
    },
}

/// A byte stream to the other side with a clock beside it.
///
/// The stream may lose, damage, repeat or reorder; it says so only when it is gone
/// for good. The clock never goes backwards; it is the wall clock's for real
/// ports and counts on by itself where everything runs in one process.
pub trait Transport {
    /// Link time.
    fn now(&self) -> LinkTime;

    /// Appends what has arrived to `into`. If nothing has, waits for at most `timeout`.
    ///
    /// # Errors
    /// The stream is gone.
    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError>;

    /// Sends whole frames, all in one go.
    ///
    /// # Errors
    /// The stream is gone.
    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError>;
}

impl<T: Transport + ?Sized> Transport for Box<T> {
    fn now(&self) -> LinkTime {
        (**self).now()
    }

    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        (**self).read(into, timeout)
    }

    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        (**self).write(frames)
    }
}

/// How often the reader thread looks whether it shall end.
const READER_WAIT: Duration = Duration::from_millis(50);
/// How long a write may wait for a port that takes nothing.
const WRITE_WAIT: Duration = Duration::from_millis(100);

/// A serial port; one thread reads it.
///
/// `serialport` only blocks, so reading goes through a thread and a channel.
#[derive(Debug)]
pub struct SerialTransport {
    name: String,
    port: Box<dyn serialport::SerialPort>,
    arrived: Receiver<io::Result<Vec<u8>>>,
    ended: Arc<AtomicBool>,
    reader: Option<JoinHandle<()>>,
    clock: WallClock,
}

impl SerialTransport {
    /// Opens a port: a board's (`/dev/ttyACM0`) or a pseudo-terminal. The speed matters
    /// only where a real UART lies between.
    ///
    /// # Errors
    /// The port cannot be opened.
    pub fn open(path: &Path) -> Result<Self, TransportError> {
        let name = path.display().to_string();
        let failed = |cause: String| TransportError::Open { port: name.clone(), cause };
        let mut port = serialport::new(name.as_str(), 115_200)
            .timeout(WRITE_WAIT)
            .open()
            .map_err(|error| failed(error.to_string()))?;
        // Pseudo-terminals have no such lines and say so; boards wait for them.
        for line in [port.write_data_terminal_ready(true), port.write_request_to_send(true)] {
            if let Err(error) = line {
                tracing::debug!(port = name, %error, "no control lines");
            }
        }
        let mut input = port.try_clone().map_err(|error| failed(error.to_string()))?;
        input.set_timeout(READER_WAIT).map_err(|error| failed(error.to_string()))?;
        let (sender, arrived) = channel();
        let ended = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&ended);
        let reader = std::thread::Builder::new()
            .name("rig reader".to_owned())
            .spawn(move || read_port(input.as_mut(), &sender, &seen))
            .map_err(|error| failed(error.to_string()))?;
        Ok(SerialTransport { name, port, arrived, ended, reader: Some(reader), clock: WallClock::new() })
    }

    fn gone(&self, error: &io::Error) -> TransportError {
        TransportError::Gone { port: self.name.clone(), cause: error.to_string() }
    }
}

fn read_port(port: &mut dyn serialport::SerialPort, sender: &Sender<io::Result<Vec<u8>>>, ended: &AtomicBool) {
    let mut buffer = [0u8; 4096];
    while !ended.load(Ordering::Relaxed) {
        let news = match port.read(&mut buffer) {
            Ok(0) => Err(io::Error::from(io::ErrorKind::UnexpectedEof)),
            Ok(count) => Ok(buffer[..count].to_vec()),
            Err(error) if matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::Interrupted) => continue,
            Err(error) => Err(error),
        };
        let over = news.is_err();
        if sender.send(news).is_err() || over {
            return;
        }
    }
}

impl Transport for SerialTransport {
    fn now(&self) -> LinkTime {
        self.clock.now()
    }

    fn read(&mut self, into: &mut Vec<u8>, timeout: Duration) -> Result<(), TransportError> {
        let mut news = match self.arrived.try_recv() {
            Ok(news) => Ok(news),
            Err(_) => self.arrived.recv_timeout(timeout),
        };
        loop {
            match news {
                Ok(Ok(bytes)) => into.extend_from_slice(&bytes),
                Ok(Err(error)) => return Err(self.gone(&error)),
                Err(RecvTimeoutError::Timeout) => return Ok(()),
                Err(RecvTimeoutError::Disconnected) => {
                    return Err(self.gone(&io::Error::other("its reader has ended")));
                }
            }
            news = match self.arrived.try_recv() {
                Ok(more) => Ok(more),
                // An end that follows is told by the next call.
                Err(_) => return Ok(()),
            };
        }
    }

    fn write(&mut self, frames: &[u8]) -> Result<(), TransportError> {
        match self.port.write_all(frames) {
            // A port that takes nothing for now: the link notices what is missing and resends.
            Err(error) if error.kind() == io::ErrorKind::TimedOut => Ok(()),
            Err(error) => Err(self.gone(&error)),
            Ok(()) => Ok(()),
        }
    }
}

impl Drop for SerialTransport {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
        if let Some(reader) = self.reader.take() {
            // The port is free again only when its reader has let go of it.
            let _ = reader.join();
        }
    }
}
