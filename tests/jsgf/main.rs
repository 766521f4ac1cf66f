//! JSGF as the W3C Note has it, what is wrong with a file and how to mend it, and printing.

mod faults;
mod note;
mod printing;
mod trees;
