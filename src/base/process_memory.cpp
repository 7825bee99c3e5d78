#include "base/process_memory.hpp"

#include <unistd.h>

#include <fstream>
#include <string>

namespace broadloom {

int64_t resident_bytes() {
    std::ifstream statm("/proc/self/statm");
    int64_t total = 0;
    int64_t resident = 0;
    statm >> total >> resident;
    return resident * sysconf(_SC_PAGESIZE);
}

int64_t peak_resident_bytes() {
    // Not getrusage(): its figure starts with that of the process that started this one.
    std::ifstream status("/proc/self/status");
    for (std::string line; std::getline(status, line);) {
        if (line.rfind("VmHWM:", 0) == 0) return std::stoll(line.substr(6)) * 1024;
    }
    return resident_bytes();
}

int64_t default_memory_budget() {
    return int64_t{sysconf(_SC_PHYS_PAGES)} * sysconf(_SC_PAGESIZE) / 2;
}

std::string least_budget_text(int64_t least_bytes) {
    constexpr int64_t kStepMib = 8;
    return std::to_string(((least_bytes >> 20) / kStepMib + 2) * kStepMib) + "M";
}

}  // namespace broadloom
