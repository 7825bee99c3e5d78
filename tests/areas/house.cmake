# Which floor may include what.
add_test(NAME includes_test
  COMMAND ${CMAKE_COMMAND} -DSOURCE=${PROJECT_SOURCE_DIR}
    -DWORK=${CMAKE_CURRENT_BINARY_DIR}/includes -P ${CMAKE_CURRENT_SOURCE_DIR}/unit/includes_test.cmake)
# The counting of results that scripts/test.sh ends with.
add_test(NAME count_test
  COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/unit/count_test.sh ${PROJECT_SOURCE_DIR}/scripts/count_tests.awk)
