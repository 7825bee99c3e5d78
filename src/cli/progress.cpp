#include "cli/progress.hpp"

#include <unistd.h>

#include <cstdio>

#include "base/text.hpp"

namespace broadloom::cli {

ProgressLine::ProgressLine() : terminal_(isatty(STDERR_FILENO) != 0) {}

void ProgressLine::show(const WorkProgress& p) {
    std::string left;
    if (p.seconds_left) left = ", " + format_duration(*p.seconds_left) + " left";
    const double percent = 100 * p.fraction;
    if (p.stage != stage_) {
        stage_ = p.stage;
        last_seconds_ = -1e9;
        last_fraction_ = 0;
    }
    if (terminal_) {
        constexpr int kWidth = 30;
        const int full = static_cast<int>(p.fraction * kWidth);
        const std::string bar = std::string(static_cast<size_t>(full), '=') +
                                std::string(static_cast<size_t>(kWidth - full), ' ');
        std::fprintf(stderr, "\r[%s] %3.0f %% %s%s\033[K", bar.c_str(), percent, stage_.c_str(),
                     left.c_str());
        std::fflush(stderr);
        shown_ = true;
        return;
    }
    // A line every tenth of the way, or every half minute; nothing of what is over in a moment.
    if (p.fraction - last_fraction_ >= 0.1 || p.seconds - last_seconds_ >= 30) {
        if (last_seconds_ < 0 && (p.fraction < 0.1 || p.seconds < 1)) {
            last_seconds_ = p.seconds;
            return;
        }
        if (p.seconds < 1) return;
        std::fprintf(stderr, "progress %3.0f %% %s%s\n", percent, stage_.c_str(), left.c_str());
        last_fraction_ = p.fraction;
        last_seconds_ = p.seconds;
    }
}

void ProgressLine::clear() {
    if (shown_) std::fprintf(stderr, "\r\033[K");
    shown_ = false;
}

}  // namespace broadloom::cli
