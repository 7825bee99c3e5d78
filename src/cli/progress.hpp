/// Progress on standard error: a bar on a terminal, a plain line now and then elsewhere.
#pragma once

#include <string>

#include "broadloom/work.hpp"

namespace broadloom::cli {

class ProgressLine {
  public:
    ProgressLine();
    /// A new stage starts a new bar.
    void show(const WorkProgress& progress);
    /// Removes the bar, so that the next message starts a line of its own.
    void clear();

  private:
    bool terminal_;
    bool shown_ = false;
    std::string stage_;
    double last_seconds_ = -1e9, last_fraction_ = 0;
};

}  // namespace broadloom::cli
