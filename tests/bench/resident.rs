//! What a running daemon takes of the machine's memory.

pub fn memory_mib(process: u32) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap_or_default();
    let kib: f64 = line.split_whitespace().nth(1).and_then(|number| number.parse().ok()).unwrap_or(0.0);
    kib / 1024.0
}
