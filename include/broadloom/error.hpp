/// One exception type for everything that a caller may have to act on.
#pragma once

#include <stdexcept>
#include <string>

namespace broadloom {

/// Who has to act; the values are the program's exit statuses.
enum class ErrorCode : int {
    internal = 1,       ///< our own fault
    usage = 2,          ///< a wrong option or value
    input = 3,          ///< a scene or a frame is bad
    machine = 4,        ///< the machine refused: disk full, no permission, no memory, I/O error
    damage = 5,         ///< a check found damage in a finished result
    interrupted = 130,  ///< stopped by SIGINT
    terminated = 143,   ///< stopped by SIGTERM
};

/// what() is one line (control characters escaped) that names the file, frame or option, what is
/// wrong, and what to do. `details` may hold further lines that belong before it.
class Error : public std::runtime_error {
  public:
    Error(ErrorCode code, const std::string& message, std::string details = {})
        : std::runtime_error(message), code_(code), details_(std::move(details)) {}

    [[nodiscard]] ErrorCode code() const { return code_; }
    [[nodiscard]] const std::string& details() const { return details_; }

  private:
    ErrorCode code_;
    std::string details_;
};

}  // namespace broadloom
