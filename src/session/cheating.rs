//! How people could still be cheated whatever the seal does, and what to watch: shown by `check` and where a bet starts.

/// What no record can show, each with what to do about it.
pub const STILL_POSSIBLE: [&str; 5] = [
    "A program that records what this computer plays can subtract A from X and know X, however small the difference. Use a \
     computer that nobody prepared, close everything else on it, and choose a device whose name begins with hw:.",
    "Somebody else can tell the listener, by a sign, a phone, an earpiece. Only the listener hears and sees the test; phones \
     lie on the table.",
    "A program can read this one's memory while it runs. Nobody but the listener touches the computer, from the first page to \
     the receipt.",
    "A changed copy of this program can look honest. Take it from a source that you both trust, and put your own hand in.",
    "A test can be sat again elsewhere until it fits. Photograph the seal and the receipt, with the number of the sitting.",
];
