/// Time for reports and progress, never for results.
#pragma once

#include <chrono>

namespace broadloom {

/// Seconds from an arbitrary moment on; never goes backwards.
inline double monotonic_seconds() {
    return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch())
        .count();
}

/// Adds the time since its creation to a sum.
class Stopwatch {
  public:
    explicit Stopwatch(double& sum) : sum_(sum), start_(monotonic_seconds()) {}
    ~Stopwatch() { sum_ += monotonic_seconds() - start_; }
    Stopwatch(const Stopwatch&) = delete;
    Stopwatch& operator=(const Stopwatch&) = delete;

  private:
    double& sum_;
    double start_;
};

}  // namespace broadloom
