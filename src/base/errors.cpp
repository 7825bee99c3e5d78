#include "base/errors.hpp"

namespace broadloom {

void throw_together(const std::vector<Error>& errors, const std::string& things) {
    if (errors.empty()) return;
    if (errors.size() == 1) throw Error(errors.front().code(), errors.front().what());
    std::string details;
    for (const Error& e : errors) details += std::string(e.what()) + "\n";
    throw Error(errors.front().code(),
                std::string(errors.front().what()) + " (and " + std::to_string(errors.size() - 1) +
                    " more bad " + things + ", listed above)",
                details);
}

}  // namespace broadloom
