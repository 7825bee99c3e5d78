/// Progress on standard error: a bar on a terminal, a plain line now and then elsewhere.
#pragma once

#include "broadloom/render.hpp"

namespace broadloom::cli {

class ProgressLine {
  public:
    ProgressLine();
    void show(const RenderProgress& progress);
    /// Removes the bar, so that the next message starts a line of its own.
    void clear();

  private:
    bool terminal_;
    bool shown_ = false;
    double last_seconds_ = -1e9, last_fraction_ = 0;
};

}  // namespace broadloom::cli
