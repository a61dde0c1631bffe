//! What `firmhand` alone says: where to begin.

/// Ten lines.
pub const TEXT: &str = "\
firmhand carries the job of replacing a computer's firmware, one chip at a time.

  firmhand demo                            see all of it on a virtual bench
  firmhand ready                           what this computer can reach
  firmhand chip identify --link LINK       which chip is it
  firmhand chip capture --link LINK        read it until the backup is proven
  firmhand chip apply IMAGE --link LINK    bring it to a new content, and verify
  firmhand chip restore --link LINK        bring the backup back
  firmhand vault list                      what is kept
  firmhand desk                            all of it as a page in the browser
  firmhand COMMAND --help                  everything about a command
";
