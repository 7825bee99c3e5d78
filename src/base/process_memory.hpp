/// What this process takes of the machine's memory.
#pragma once

#include <cstdint>

namespace broadloom {

/// Resident memory of this process now, and at its largest so far, bytes.
int64_t resident_bytes();
int64_t peak_resident_bytes();

/// The budget of those who name none: half of the machine's memory, bytes.
int64_t default_memory_budget();

}  // namespace broadloom
