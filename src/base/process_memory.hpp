/// What this process takes of the machine's memory.
#pragma once

#include <cstdint>
#include <string>

namespace broadloom {

/// Resident memory of this process now, and at its largest so far, bytes.
int64_t resident_bytes();
int64_t peak_resident_bytes();

/// The budget of those who name none: half of the machine's memory, bytes.
int64_t default_memory_budget();

/// "128M" for who gave too little where `least_bytes` would do now: in steps well above what one
/// run differs from the next, so that the least budget that is told works the next time too.
std::string least_budget_text(int64_t least_bytes);

}  // namespace broadloom
